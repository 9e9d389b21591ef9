"""Accounts: who may log in, and what they may do. Jobs belong to an account by its name, and outlive it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Self

import sqlalchemy as sa

from nearfar.errors import NotFound, StoreError, UsageError
from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.people.roles import Role
from nearfar.jobs.people.tables import accounts, sessions
from nearfar.jobs.records import Row, fields_of

NAME = re.compile(r"\w[\w.@+ -]{0,59}")
RESERVED = frozenset({"http", "nobody", "server", "watch", "keep"})
"""Names that the trail uses for what is no person."""


@dataclass(frozen=True, kw_only=True)
class Account:
    """Someone who may log in."""

    name: str
    role: Role
    password: str | None = field(repr=False)
    """What it is checked against."""
    subject: str | None
    closed: bool
    created: float
    changed: float

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `people.tables.accounts`."""
        return cls(**fields_of(cls, row, role=Role(row.role)))


def folded(name: str) -> str:
    """The name by which two accounts count as the same; without what is no character, which no database takes."""
    shown = "".join(sign for sign in name if sign.isprintable())
    return unicodedata.normalize("NFKC", shown).casefold().strip()


def check_name(name: str) -> str:
    """A name that will do, without space around it. Raises `UsageError`."""
    found = unicodedata.normalize("NFC", name).strip()
    if not NAME.fullmatch(found) or folded(found) in RESERVED:
        raise UsageError(
            f"{name!r} is not a name for an account; expected up to 60 letters, digits, spaces or . @ + - _, beginning "
            f"with a letter or digit, and none of {', '.join(sorted(RESERVED))}"
        )
    return found


def add(tx: Tx, name: str, *, role: Role, password: str | None, subject: str | None, who: str) -> Account:
    """Make an account; ``password`` is what `passwords.kept` gave. Raises `UsageError`, `StoreError` if there is one."""
    name = check_name(name)
    if find(tx, name) is not None:
        raise StoreError(f"there is an account {name!r} already; change that one, or choose another name")
    _free_subject(tx, subject)
    row = {"name": name, "folded": folded(name), "role": role, "password": password, "subject": subject}
    tx.conn.execute(accounts.insert(), row | {"created": tx.now, "changed": tx.now})
    detail = {"account": name, "role": role, "by": "password" if password else "provider"}
    events.record(tx, "account.added", who=who, detail=detail)
    return get(tx, name)


def _free_subject(tx: Tx, subject: str | None) -> None:
    if subject is not None and by_subject(tx, subject) is not None:
        raise StoreError("another account logs in as this person at the provider already")


def find(tx: Tx, name: str) -> Account | None:
    """The account of a name, in any case of its letters."""
    row = tx.conn.execute(sa.select(accounts).where(accounts.c.folded == folded(name))).first()
    return None if row is None else Account.from_row(row)


def get(tx: Tx, name: str) -> Account:
    """The same; raises `NotFound`."""
    found = find(tx, name)
    if found is None:
        raise NotFound(f"there is no account {name!r}; 'nearfar account list' shows those there are")
    return found


def by_subject(tx: Tx, subject: str) -> Account | None:
    """The account of someone known to an OpenID Connect provider."""
    row = tx.conn.execute(sa.select(accounts).where(accounts.c.subject == subject)).first()
    return None if row is None else Account.from_row(row)


def known(tx: Tx) -> tuple[Account, ...]:
    """All of them, by name."""
    query = sa.select(accounts).order_by(accounts.c.folded)
    return tuple(Account.from_row(row) for row in tx.conn.execute(query))


def change(tx: Tx, name: str, changes: Mapping[str, Any], *, who: str) -> Account:
    """Change role, password, subject or closed. Whoever it is has to log in again, unless only the role changed.

    Raises
    ------
    NotFound, StoreError
    """
    before = get(tx, name)
    if changes.get("subject") != before.subject:
        _free_subject(tx, changes.get("subject"))
    tx.conn.execute(
        sa.update(accounts).where(accounts.c.name == before.name).values(**changes, changed=tx.now)
    )
    if set(changes) - {"role"}:
        end_sessions(tx, before.name)
    told = {key: "changed" if key in {"password", "subject"} else value for key, value in changes.items()}
    if "role" in changes:
        told["from"] = before.role
    events.record(tx, "account.changed", who=who, detail={"account": before.name, **told})
    return get(tx, name)


def end_sessions(tx: Tx, name: str) -> None:
    """End all sessions of an account."""
    tx.conn.execute(sa.delete(sessions).where(sessions.c.account == name))


def remove(tx: Tx, name: str, *, who: str) -> None:
    """Remove an account with its keys and sessions; its jobs stay. Raises `NotFound`."""
    found = get(tx, name)
    tx.conn.execute(sa.delete(accounts).where(accounts.c.name == found.name))
    events.record(tx, "account.removed", who=who, detail={"account": found.name, "role": found.role})


def renew_password(tx: Tx, name: str, stored: str) -> None:
    """Store a password's digest with today's parameters; sessions stay."""
    tx.conn.execute(sa.update(accounts).where(accounts.c.name == name).values(password=stored))
