"""Keys for programs: a secret of 256 bits, shown once, of which the store keeps a digest; with scopes and an end."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Self

import sqlalchemy as sa

from nearfar.errors import NotFound, UsageError
from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.people import accounts
from nearfar.jobs.people.accounts import Account
from nearfar.jobs.people.roles import Role, least, most
from nearfar.jobs.people.tables import keys
from nearfar.jobs.records import Row, fields_of

PREFIX = "nfk_"
"""Prefix of keys, by which a leaked key is recognised."""
NOTE = 60.0
"""Seconds between two notes of the last use."""


@dataclass(frozen=True, kw_only=True)
class Key:
    """What is known of a key, without its secret."""

    id: int
    account: str | None
    """Whose it is; None: the server's own."""
    name: str
    scopes: tuple[Role, ...]
    made_by: str
    created: float
    expires: float | None
    revoked: float | None
    used: float | None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `people.tables.keys`."""
        return cls(**fields_of(cls, row, scopes=tuple(Role(scope) for scope in row.scopes)))

    def state(self, now: float) -> str:
        """'good', 'revoked' or 'expired'."""
        if self.revoked is not None:
            return "revoked"
        return "expired" if self.expires is not None and self.expires <= now else "good"

    def role(self, account: Account | None) -> Role:
        """What it lets do: the most of its scopes, and never more than its account."""
        own = most(*self.scopes)
        return own if account is None else least(own, account.role)


def digest(secret: str) -> str:
    """What is stored of a secret. It holds so much chance that no slow digest is needed."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def make(
    tx: Tx, *, account: str | None, name: str, scopes: Iterable[Role], seconds: float | None, who: str
) -> tuple[Key, str]:
    """A new key and its secret, which is known only now. Raises `UsageError`, `NotFound`."""
    chosen = sorted(set(scopes), key=lambda role: role.level)
    name = name.strip()
    if not chosen:
        raise UsageError(f"a key needs a scope; there are {', '.join(Role)}")
    if not name or len(name) > 60 or not name.isprintable():
        raise UsageError(
            f"{name[:80]!r} is not a name for a key; expected 1 to 60 characters that tell what it is for"
        )
    owner = accounts.get(tx, account) if account is not None else None
    if owner is not None and not owner.role.covers(most(*chosen)):
        raise UsageError(f"{owner.name} has the role {owner.role}; a key of that account can have no more")
    secret = PREFIX + secrets.token_urlsafe(32)
    row = {
        "account": owner.name if owner else None,
        "name": name,
        "scopes": [str(role) for role in chosen],
        "secret": digest(secret),
        "made_by": who,
        "created": tx.now,
        "expires": None if seconds is None else tx.now + seconds,
    }
    number = tx.conn.execute(keys.insert().returning(keys.c.id), row).scalar_one()
    detail = {"key": number, "name": name, "account": row["account"], "scopes": row["scopes"]}
    events.record(tx, "key.made", who=who, detail=detail)
    return get(tx, number), secret


def get(tx: Tx, number: int) -> Key:
    """A key by its number; raises `NotFound`."""
    row = tx.conn.execute(sa.select(keys).where(keys.c.id == number)).first()
    if row is None:
        raise NotFound(f"there is no key {number}; 'nearfar key list' shows those there are")
    return Key.from_row(row)


def shown(tx: Tx, secret: str) -> tuple[Key, Account | None] | None:
    """The key that a secret belongs to, in any state, with its account; None if there is none."""
    row = tx.conn.execute(sa.select(keys).where(keys.c.secret == digest(secret))).first()
    if row is None:
        return None
    found = Key.from_row(row)
    return found, accounts.find(tx, found.account) if found.account is not None else None


def used(tx: Tx, number: int) -> None:
    """Note that a key was used just now."""
    tx.conn.execute(sa.update(keys).where(keys.c.id == number).values(used=tx.now))


def known(tx: Tx, *, account: str | None = None) -> tuple[Key, ...]:
    """All keys, or those of an account, by number."""
    query = sa.select(keys).order_by(keys.c.id)
    if account is not None:
        query = query.where(keys.c.account == account)
    return tuple(Key.from_row(row) for row in tx.conn.execute(query))


def revoke(tx: Tx, number: int, *, who: str) -> Key:
    """Let a key be good for nothing from now on; once is enough. Raises `NotFound`."""
    found = get(tx, number)
    if found.revoked is None:
        tx.conn.execute(sa.update(keys).where(keys.c.id == number).values(revoked=tx.now))
        detail = {"key": number, "name": found.name, "account": found.account}
        events.record(tx, "key.revoked", who=who, detail=detail)
    return get(tx, number)
