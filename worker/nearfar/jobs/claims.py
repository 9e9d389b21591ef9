"""Give units to workers: each to one at a time, under a lease and a token that grows with every holder.

A claim is two statements on two partial indexes, first for a unit whose lease ran out, then for one that is ready: a
single statement with OR would use neither index. Each picks and marks the unit in one step, so that two workers cannot
get the same one: at SQLite writers take turns, PostgreSQL skips rows that another claim has locked.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import sqlalchemy as sa
from sqlalchemy.sql.dml import ReturningUpdate

from nearfar.jobs import events, flags, moves, order, owners, totals
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import attempts, jobs, units
from nearfar.jobs.order import Room
from nearfar.jobs.records import Claim, Coming, Row
from nearfar.jobs.states import AttemptStep, JobState, ServerState, UnitState


def claim(tx: Tx, room: Room) -> Claim | None:
    """Give a worker its next unit; None if there is none for it, or the server is paused or drains.

    The attempt is counted here, before any work, so that attempts that kill their worker count as well.
    """
    if flags.server_state(tx) is not ServerState.OPEN:
        return None
    row = tx.conn.execute(take(tx, room, expired(tx, room))).first()
    taken_over = row is not None
    if row is None:
        row = _take_ready(tx, room)
    if row is None:
        return None
    owners.charge(tx, row.owner, row.weight)
    if taken_over:
        _write_lost(tx, row)
    _write_start(tx, row)
    return Claim.from_row(row)


def coming(tx: Tx, room: Room, part: Collection[int]) -> Coming:
    """What a worker that took part in jobs may expect next; see `unit_store.UnitStore.coming`."""
    if flags.server_state(tx) is not ServerState.OPEN:
        return Coming.NO
    ready = sa.select(units.c.id).where(*order.claimable(tx, room)).limit(1)
    if any(tx.conn.scalar(query) is not None for query in (ready, expired(tx, room))):
        return Coming.NOW
    later = sa.select(units.c.id).where(
        units.c.job == jobs.c.id, units.c.run == jobs.c.run, units.c.state == UnitState.WAITING
    )
    goes_on = sa.select(jobs.c.id).where(
        jobs.c.id.in_(part), jobs.c.state == JobState.RUNNING, sa.exists(later.correlate(jobs))
    )
    return Coming.NO if tx.conn.scalar(goes_on.limit(1)) is None else Coming.SOON


def expired(tx: Tx, room: Room) -> sa.Select[int]:
    """Query for a unit whose lease ran out, that may be tried again, and that its job still wants."""
    # A join would let SQLite's planner begin with all jobs that are running.
    wanted = sa.select(jobs.c.id).where(
        jobs.c.id == units.c.job,
        jobs.c.run == units.c.run,
        jobs.c.state.in_((JobState.WAITING, JobState.RUNNING)),
    )
    return (
        sa.select(units.c.id)
        .where(
            units.c.state == sa.literal_column("'held'"),
            units.c.lease_until < tx.now,
            units.c.attempts < tx.rules.attempts,
            room.fits(),
            sa.exists(wanted.correlate(units)),
        )
        .order_by(units.c.lease_until)
        .limit(1)
    )


def _take_ready(tx: Tx, room: Room) -> Row | None:
    """The next ready unit, by the order between owners and then within one."""
    for owner in tx.conn.scalars(order.owners_in_turn(tx, room)).all():
        for pick in (*order.near_units(tx, room, owner), order.first_unit(tx, room, owner)):
            row = tx.conn.execute(take(tx, room, pick)).first()
            if row is not None:
                return row
    return None


def take(tx: Tx, room: Room, pick: sa.Select[int]) -> ReturningUpdate[Any]:
    """Statement that picks a unit and marks it as held, in one step."""
    pick = pick.with_for_update(skip_locked=True, of=units)  # SQLite has no such words and needs none
    return (
        sa.update(units)
        .where(units.c.id == pick.scalar_subquery())
        .values(
            state=sa.literal_column("'held'"),
            token=units.c.token + 1,
            attempts=units.c.attempts + 1,
            worker=room.worker,
            started=tx.now,
            lease_until=tx.now + tx.rules.lease,
            deadline=tx.now + units.c.limit,
            progress=0.0,
        )
        .returning(units)
    )


def _write_start(tx: Tx, row: Row) -> None:
    """Record the attempt, and that its job is running.

    The job's row is not waited for: this transaction has locked the unit, and another one that has locked the job may be
    waiting for it. If the job's row is locked, the next heartbeat records the same.
    """
    write_step(tx, row, AttemptStep.STARTED)
    waiting = sa.select(jobs).where(jobs.c.id == row.job, jobs.c.state == JobState.WAITING)
    job = tx.conn.execute(waiting.with_for_update(skip_locked=True, key_share=True)).first()
    if job is not None:
        moves.begin(tx, job)


def write_step(
    tx: Tx,
    unit: Row,
    step: AttemptStep,
    *,
    seconds: float | None = None,
    cause: str | None = None,
    reason: str | None = None,
) -> None:
    """Add a line about the attempt that a row of `model.units` describes."""
    tx.conn.execute(
        attempts.insert(),
        {
            "unit": unit.id,
            "job": unit.job,
            "token": unit.token,
            "step": step,
            "at": tx.now,
            "worker": unit.worker,
            "seconds": seconds,
            "cause": cause,
            "reason": reason,
        },
    )


def _write_lost(tx: Tx, row: Row) -> None:
    """Record how the attempt before the one that just began ended; ``row`` describes the new one."""
    before = (attempts.c.unit == row.id, attempts.c.token == row.token - 1)
    began = tx.conn.execute(
        sa.select(attempts).where(*before, attempts.c.step == AttemptStep.STARTED)
    ).first()
    if began is None:  # from a copy of which parts were removed by hand
        return
    cause, reason = why_lost(tx, worker=began.worker, deadline=began.at + row.limit, limit=row.limit)
    line = {"unit": row.id, "job": row.job, "token": began.token, "worker": began.worker, "at": tx.now}
    line |= {"step": AttemptStep.LOST, "seconds": tx.now - began.at, "cause": cause, "reason": reason}
    tx.conn.execute(attempts.insert(), line)
    detail = {"cause": cause, "reason": reason, "attempt": row.attempts - 1, "of": tx.rules.attempts}
    events.record(tx, "unit.lost", who=row.worker, job=row.job, unit=row.id, detail=detail)
    totals.add(tx, {("units", f"{row.kind} lost"): 1.0})


def why_lost(tx: Tx, *, worker: str | None, deadline: float, limit: float) -> tuple[str, str]:
    """Cause and reason for an attempt whose lease ran out."""
    if deadline <= tx.now:
        return "deadline", f"not done within {limit:.0f} s, which is its time"
    return "lost", f"its worker {worker} fell silent"
