"""Mends of delivered pictures, and for each picture how far they are carried out."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
OPEN = sa.text("state IN ('waiting', 'held')")


def upgrade() -> None:
    """Make the tables; no job has mends yet."""
    op.create_table(
        "mends",
        sa.Column("job", NUMBER, nullable=False),
        sa.Column("number", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("annotation", sa.JSON, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("made", sa.Double, nullable=False),
        sa.Column("undone", sa.Double, nullable=True),
        sa.Column("undone_by", sa.Text, nullable=True),
        sa.PrimaryKeyConstraint("job", "number", name="pk_mends"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_mends_job", ondelete="CASCADE"),
    )
    op.create_table(
        "mending",
        sa.Column("job", NUMBER, nullable=False, autoincrement=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("wanted", NUMBER, nullable=False),
        sa.Column("shown", NUMBER, nullable=False, server_default="0"),
        sa.Column("token", NUMBER, nullable=False, server_default="0"),
        sa.Column("attempts", NUMBER, nullable=False, server_default="0"),
        sa.Column("not_before", sa.Double, nullable=False, server_default="0"),
        sa.Column("worker", sa.Text, nullable=True),
        sa.Column("lease_until", sa.Double, nullable=True),
        sa.Column("cause", sa.Text, nullable=True),
        sa.Column("reason", sa.Text, nullable=True),
        sa.Column("changed", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_mending"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_mending_job", ondelete="CASCADE"),
    )
    op.create_index("ix_mending_open", "mending", ["changed"], sqlite_where=OPEN, postgresql_where=OPEN)
