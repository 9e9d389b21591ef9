"""Forms of units, so that workers of unlike versions share a store; who wants to be told of what, and what was sent."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
READY = sa.text("state = 'ready'")
WAITING = sa.text("state = 'waiting'")


def upgrade() -> None:
    """All units so far are of the first form, which every worker of before reads."""
    op.add_column("units", sa.Column("form", NUMBER, nullable=False, server_default="1"))
    op.add_column("workers", sa.Column("form", NUMBER, nullable=False, server_default="1"))
    op.drop_index("ix_units_ready", "units")
    op.create_index(
        "ix_units_ready",
        "units",
        ["owner", "due", "id", "not_before", "memory", "disk", "form"],
        sqlite_where=READY,
        postgresql_where=READY,
    )
    _targets()
    _messages()


def _targets() -> None:
    op.create_table(
        "notify_targets",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("owner", sa.Text, nullable=False),
        sa.Column("channel", sa.Text, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("events", sa.JSON, nullable=False),
        sa.Column("secret", sa.Text, nullable=True),
        sa.Column("subject", sa.Text, nullable=True),
        sa.Column("body", sa.Text, nullable=True),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("made_by", sa.Text, nullable=False),
        sa.Column("stopped", sa.Text, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_notify_targets"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_notify_targets_owner", "notify_targets", ["owner"])


def _messages() -> None:
    op.create_table(
        "notify_messages",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("target", NUMBER, nullable=False),
        sa.Column("event", NUMBER, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("about", sa.Text, nullable=False),
        sa.Column("job", NUMBER, nullable=True),
        sa.Column("content", sa.JSON, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("tries", NUMBER, nullable=False, server_default="0"),
        sa.Column("due", sa.Double, nullable=False),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("finished", sa.Double, nullable=True),
        sa.Column("answer", sa.Text, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_notify_messages"),
        sa.UniqueConstraint("target", "event", name="uq_notify_messages_target_event"),
        sa.ForeignKeyConstraint(
            ["target"], ["notify_targets.id"], name="fk_notify_messages_target", ondelete="CASCADE"
        ),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "ix_notify_messages_waiting",
        "notify_messages",
        ["due"],
        sqlite_where=WAITING,
        postgresql_where=WAITING,
    )
