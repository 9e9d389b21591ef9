"""The audit trail: who did what to which job, and when. Rows are added and never changed, which triggers see to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

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


def since(tx: Tx, after: int, *, job: int | None, limit: int) -> Sequence[Event]:
    """Events with a number above ``after``, oldest first."""
    query = sa.select(events).where(events.c.id > after).order_by(events.c.id).limit(min(limit, MOST))
    if job is not None:
        query = query.where(events.c.job == job)
    return tuple(Event.from_row(row) for row in tx.conn.execute(query))


def last(tx: Tx) -> int:
    """Number of the newest event; 0 if there is none."""
    return int(tx.conn.scalar(sa.select(sa.func.coalesce(sa.func.max(events.c.id), 0))) or 0)
