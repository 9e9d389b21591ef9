"""Owners whose jobs share the server, and the account of work that each was given, which `order` uses."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.errors import StoreError, UsageError
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import owners, units
from nearfar.jobs.records import Owner


def charge(tx: Tx, owner: str, seconds: float) -> None:
    """Add work that an owner was given to its account; negative if it was handed back."""
    tx.conn.execute(
        sa.update(owners)
        .where(owners.c.name == owner)
        .values(passed=owners.c.passed + seconds / owners.c.share)
    )


def welcome(tx: Tx, owner: str) -> None:
    """Make sure that an owner is known; one that had no work starts level with the others."""
    insert = postgresql.insert(owners) if tx.postgresql else sqlite.insert(owners)
    tx.conn.execute(insert.values(name=owner, created=tx.now, passed=0.0, share=1.0).on_conflict_do_nothing())
    tx.conn.execute(sa.select(owners.c.name).where(owners.c.name == owner).with_for_update(key_share=True))
    if tx.conn.scalar(sa.select(_busy()).where(owners.c.name == owner)):
        return
    others = sa.select(owners.c.passed).where(owners.c.name != owner)
    least = tx.conn.scalar(others.where(_busy()).order_by(owners.c.passed).limit(1))
    if least is None:
        least = tx.conn.scalar(others.order_by(owners.c.passed.desc()).limit(1))
    if least is not None:
        tx.conn.execute(
            sa.update(owners).where(owners.c.name == owner, owners.c.passed < least).values(passed=least)
        )


def _busy() -> sa.ColumnElement[bool]:
    """Condition that an owner has a unit in work or ready."""

    def has(state: str) -> sa.ColumnElement[bool]:
        of = (units.c.owner == owners.c.name, units.c.state == sa.literal_column(f"'{state}'"))
        return sa.exists(sa.select(units.c.id).where(*of).correlate(owners))

    return sa.or_(has("ready"), has("held"))


def set_share(tx: Tx, owner: str, share: float) -> None:
    """Set an owner's share of the server, relative to the usual share of 1."""
    if not 0.01 <= share <= 100:
        raise UsageError(
            f"a share of {share:g} for {owner}: expected a number from 0.01 to 100; 1 is everybody's"
        )
    welcome(tx, owner)
    tx.conn.execute(sa.update(owners).where(owners.c.name == owner).values(share=share))


def known(tx: Tx) -> tuple[Owner, ...]:
    """All owners, by name."""
    return tuple(Owner.from_row(row) for row in tx.conn.execute(sa.select(owners).order_by(owners.c.name)))


def check_owner(owner: str) -> str:
    """Raise `StoreError` if the name is empty."""
    if not owner.strip():
        raise StoreError("a job needs an owner; found an empty name, expected for example 'inbox'")
    return owner
