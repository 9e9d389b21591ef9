"""The audit trail: who did what to which job, and when. Rows are added and never changed, which triggers see to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from nearfar.jobs import reading
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import events
from nearfar.jobs.records import Event

MOST = 1000
"""Events that are given out at a time."""


def record(
    tx: Tx,
    action: str,
    *,
    who: str,
    job: int | None = None,
    unit: int | None = None,
    detail: Mapping[str, Any] | None = None,
) -> None:
    """Add to the trail, in the transaction of the change that it records."""
    tx.conn.execute(
        events.insert(),
        {"at": tx.now, "who": who, "action": action, "job": job, "unit": unit, "detail": dict(detail or {})},
    )


def since(tx: Tx, after: int, *, job: int | None, limit: int, settled: bool = False) -> Sequence[Event]:
    """Events with a number above ``after``, oldest first; ``settled``: only as far as none can come between them."""
    query = sa.select(events).where(events.c.id > after).order_by(events.c.id).limit(min(limit, MOST))
    if job is not None:
        query = query.where(events.c.job == job)
    found = tuple(Event.from_row(row) for row in tx.conn.execute(query))
    return reading.settled(found, after, tx.now) if settled and tx.postgresql and job is None else found


def last(tx: Tx) -> int:
    """Number of the newest event; 0 if there is none."""
    return int(tx.conn.scalar(sa.select(sa.func.coalesce(sa.func.max(events.c.id), 0))) or 0)
