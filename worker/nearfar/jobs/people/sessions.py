"""Sessions of people who logged in: a random token in the browser, its digest here, and two ends, idle and absolute."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from typing import Self

import sqlalchemy as sa

from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.people import accounts
from nearfar.jobs.people.accounts import Account
from nearfar.jobs.people.tables import sessions
from nearfar.jobs.records import Row, fields_of

NOTE = 60.0
"""Seconds between two notes that someone is still there."""


@dataclass(frozen=True, kw_only=True)
class Session:
    """Someone who is logged in."""

    id: str
    account: str
    created: float
    seen: float
    address: str
    agent: str

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `people.tables.sessions`."""
        return cls(**fields_of(cls, row))


def digest(token: str) -> str:
    """What is stored of a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def begin(tx: Tx, account: str, *, address: str, agent: str, how: str, instead_of: str | None) -> str:
    """Log someone in; the token for the browser, which is a new one each time.

    Parameters
    ----------
    how
        'password' or 'provider', for the trail.
    instead_of
        The token that the browser came with, which ends.
    """
    if instead_of is not None:
        tx.conn.execute(sa.delete(sessions).where(sessions.c.id == digest(instead_of)))
    token = secrets.token_urlsafe(32)
    row = {"account": account, "address": address[:100], "agent": agent[:200]}
    times = {"created": tx.now, "seen": tx.now}
    tx.conn.execute(sessions.insert(), {"id": digest(token), **row, **times})
    events.record(tx, "session.began", who=account, detail={"by": how, "address": address[:100]})
    return token


def find(tx: Tx, token: str, *, idle: float, longest: float) -> tuple[Session, Account] | None:
    """The session of a token that has not reached either of its ends (seconds), with its account; None if there is none."""
    query = sa.select(sessions).where(
        sessions.c.id == digest(token),
        sessions.c.seen > tx.now - idle,
        sessions.c.created > tx.now - longest,
    )
    row = tx.conn.execute(query).first()
    if row is None:
        return None
    account = accounts.find(tx, row.account)
    return None if account is None or account.closed else (Session.from_row(row), account)


def seen(tx: Tx, session: str) -> None:
    """Note that someone is still there."""
    tx.conn.execute(sa.update(sessions).where(sessions.c.id == session).values(seen=tx.now))


def end(tx: Tx, token: str) -> None:
    """Log someone out."""
    row = tx.conn.execute(
        sa.delete(sessions).where(sessions.c.id == digest(token)).returning(sessions.c.account)
    ).first()
    if row is not None:
        events.record(tx, "session.ended", who=row.account)


def of(tx: Tx, account: str) -> tuple[Session, ...]:
    """Where someone is logged in, the newest first."""
    query = sa.select(sessions).where(sessions.c.account == account).order_by(sessions.c.seen.desc())
    return tuple(Session.from_row(row) for row in tx.conn.execute(query))


def forget(tx: Tx, *, idle: float, longest: float) -> int:
    """Remove those that came to an end; how many."""
    over = sa.or_(sessions.c.seen <= tx.now - idle, sessions.c.created <= tx.now - longest)
    return tx.conn.execute(sa.delete(sessions).where(over)).rowcount
