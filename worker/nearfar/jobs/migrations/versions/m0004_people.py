"""Accounts, keys, sessions, and the tries to log in that failed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Add the tables, empty."""
    op.create_table(
        "accounts",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("folded", sa.Text, nullable=False),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("password", sa.Text, nullable=True),
        sa.Column("subject", sa.Text, nullable=True),
        sa.Column("closed", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("changed", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_accounts"),
        sa.UniqueConstraint("folded", name="uq_accounts_folded"),
        sa.UniqueConstraint("subject", name="uq_accounts_subject"),
    )
    _keys()
    _sessions()


def _keys() -> None:
    op.create_table(
        "keys",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("account", sa.Text, nullable=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("scopes", sa.JSON, nullable=False),
        sa.Column("secret", sa.Text, nullable=False),
        sa.Column("made_by", sa.Text, nullable=False),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("expires", sa.Double, nullable=True),
        sa.Column("revoked", sa.Double, nullable=True),
        sa.Column("used", sa.Double, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_keys"),
        sa.ForeignKeyConstraint(["account"], ["accounts.name"], name="fk_keys_account", ondelete="CASCADE"),
        sa.UniqueConstraint("secret", name="uq_keys_secret"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_keys_account", "keys", ["account"])


def _sessions() -> None:
    op.create_table(
        "sessions",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("account", sa.Text, nullable=False),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("seen", sa.Double, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("agent", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sessions"),
        sa.ForeignKeyConstraint(
            ["account"], ["accounts.name"], name="fk_sessions_account", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_sessions_account", "sessions", ["account"])
    op.create_table(
        "tries",
        sa.Column("account", sa.Text, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("failed", NUMBER, nullable=False),
        sa.Column("known", sa.Boolean, nullable=False),
        sa.Column("last", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("account", "source", name="pk_tries"),
    )
    op.create_index("ix_tries_source_last", "tries", ["source", "last"])
    op.create_index("ix_tries_last", "tries", ["last"])
