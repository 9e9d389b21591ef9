"""Frames that are fetched from object storage, and results that are put there."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
WAITING = sa.text("state = 'waiting'")


def upgrade() -> None:
    """There are none yet."""
    op.create_table(
        "transfers",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("job", NUMBER, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("place", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("detail", sa.JSON, nullable=False),
        sa.Column("tries", NUMBER, nullable=False, server_default="0"),
        sa.Column("due", sa.Double, nullable=False),
        sa.Column("reason", sa.Text, nullable=True),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("finished", sa.Double, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_transfers"),
        sa.UniqueConstraint("job", "kind", name="uq_transfers_job_kind"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_transfers_job", ondelete="CASCADE"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "ix_transfers_waiting",
        "transfers",
        ["due"],
        sqlite_where=WAITING,
        postgresql_where=WAITING,
    )
