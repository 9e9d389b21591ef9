"""What to do when the store's clock was set back: times that were put ahead of it would be waited for that much longer.

The clock is noted now and then. If it shows less than what was noted, everything that rests is due as much earlier; what
is under a lease is brought within the reach of one.
"""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.messages.tables import messages
from nearfar.jobs.model import mending, server, units, workers
from nearfar.jobs.transfers.tables import transfers

NAME = "clock"
"""Under which the server keeps when the clock was noted."""
EVERY = 10.0
"""Seconds between two notes: what rests may wait so much longer in the end."""
SLACK = 1.0
"""Seconds by which a clock may go back without a word: clocks are corrected."""


def set_right(tx: Tx) -> float:
    """Note the clock, and bring what lies too far ahead within reach; by how much (s) it was set back."""
    noted = _noted(tx)
    back = 0.0 if noted is None else noted - tx.now
    if back > SLACK:
        noted = _noted(tx, lock=True)  # somebody else may have seen to it meanwhile
        back = 0.0 if noted is None else noted - tx.now
    if back > SLACK:
        _shift(tx, back)
        events.record(tx, "clock.set-back", who="server", detail={"seconds": round(back, 1)})
    if noted is None or back > SLACK or -back >= EVERY:
        _note(tx)
    _within_reach(tx)
    return max(back, 0.0) if back > SLACK else 0.0


def _noted(tx: Tx, *, lock: bool = False) -> float | None:
    query = sa.select(server.c.changed).where(server.c.name == NAME)
    return tx.conn.scalar(query.with_for_update() if lock else query)


def _note(tx: Tx) -> None:
    insert = postgresql.insert(server) if tx.postgresql else sqlite.insert(server)
    row = {"value": "", "changed": tx.now, "who": "server"}
    tx.conn.execute(insert.values(name=NAME, **row).on_conflict_do_update(index_elements=["name"], set_=row))


def _shift(tx: Tx, back: float) -> None:
    """Everything that rests is due as much earlier; nobody was heard of later than now."""
    ready = units.c.state == sa.literal_column("'ready'")
    waiting = (transfers.c.state == sa.literal_column("'waiting'"), transfers.c.due > tx.now)
    unsent = (messages.c.state == sa.literal_column("'waiting'"), messages.c.due > tx.now)
    for change in (
        sa.update(units)
        .where(ready, units.c.not_before > tx.now)
        .values(not_before=units.c.not_before - back),
        sa.update(transfers).where(*waiting).values(due=transfers.c.due - back),
        sa.update(messages).where(*unsent).values(due=messages.c.due - back),
        sa.update(mending)
        .where(mending.c.lease_until > tx.now)
        .values(lease_until=mending.c.lease_until - back),
        sa.update(workers).where(workers.c.beat > tx.now).values(beat=workers.c.beat - back),
    ):
        tx.conn.execute(change)


def _within_reach(tx: Tx) -> None:
    """No time lies further ahead than it was ever put: the clock may have been set back before it was noted."""
    lease = tx.now + tx.rules.lease
    held = units.c.state == sa.literal_column("'held'")
    tx.conn.execute(sa.update(units).where(held, units.c.lease_until > lease).values(lease_until=lease))
    rest = tx.now + tx.rules.longest_rest
    ready = units.c.state == sa.literal_column("'ready'")
    tx.conn.execute(sa.update(units).where(ready, units.c.not_before > rest).values(not_before=rest))
