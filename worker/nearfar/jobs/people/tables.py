"""The tables of accounts, keys, sessions and failed log-ins. They contain no secrets, only what secrets are checked by."""

from __future__ import annotations

import sqlalchemy as sa

from nearfar.jobs.model import Json, Number, maybe_real, maybe_text, metadata, real, serial, text

accounts = sa.Table(
    "accounts",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),  # also the owner of what the account submits
    sa.Column("folded", sa.Text, nullable=False, unique=True),  # no second one that differs in case alone
    text("role"),
    maybe_text("password"),  # Argon2id; null: logs in elsewhere, or not at all
    sa.Column("subject", sa.Text, nullable=True, unique=True),  # issuer and subject of OpenID Connect
    sa.Column("closed", sa.Boolean, nullable=False, server_default=sa.false()),
    real("created"),
    real("changed"),
)

keys = sa.Table(
    "keys",
    metadata,
    serial(),
    sa.Column("account", sa.Text, sa.ForeignKey("accounts.name", ondelete="CASCADE"), nullable=True),
    text("name"),
    sa.Column("scopes", Json, nullable=False),
    sa.Column("secret", sa.Text, nullable=False, unique=True),  # SHA-256, hexadecimal
    text("made_by"),
    real("created"),
    maybe_real("expires"),
    maybe_real("revoked"),
    maybe_real("used"),
    sqlite_autoincrement=True,
)
sa.Index(None, keys.c.account)

sessions = sa.Table(
    "sessions",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),  # SHA-256 of what the browser holds, hexadecimal
    sa.Column("account", sa.Text, sa.ForeignKey("accounts.name", ondelete="CASCADE"), nullable=False),
    real("created"),
    real("seen"),
    text("address"),
    text("agent"),
)
sa.Index(None, sessions.c.account)

tries = sa.Table(
    "tries",
    metadata,
    sa.Column("account", sa.Text, primary_key=True),  # as it was typed, folded; there may be no such account
    sa.Column("source", sa.Text, primary_key=True),  # an address, or a browser that logged in before
    sa.Column("failed", Number, nullable=False),
    sa.Column("known", sa.Boolean, nullable=False),
    real("last"),
)
sa.Index(None, tries.c.source, tries.c.last)
sa.Index(None, tries.c.last)
