"""Retention: old jobs, old lines of the trail and workers long gone are removed, a batch at a time."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import events as trail
from nearfar.jobs.model import jobs, units, workers
from nearfar.jobs.states import ENDED, JobState, UnitState, WorkerState

BATCH = 200
"""Jobs that one transaction removes, so that others get their turn."""


@dataclass(frozen=True, kw_only=True)
class Forgotten:
    """A job that was removed from the store."""

    job: int
    stack: str
    state: JobState
    result: str | None


def forget(tx: Tx, *, before: float, who: str) -> tuple[Forgotten, ...]:
    """Remove jobs that ended before a time, with their frames, units and attempts: a batch; empty: there are no more.

    A job that a worker still holds a unit of is left for later, and so is one that others are a repetition of: they may
    use what it was given.
    """
    rows = tx.conn.execute(old_jobs(before)).all()
    if rows:
        numbers = [row.id for row in rows]
        tx.conn.execute(sa.delete(jobs).where(jobs.c.id.in_(numbers)))
        events.record(tx, "jobs.forgotten", who=who, detail={"jobs": numbers})
    return tuple(
        Forgotten(job=row.id, stack=row.stack, state=JobState(row.state), result=row.result) for row in rows
    )


def old_jobs(before: float) -> sa.Select[int, str, str, str | None]:
    """Query for jobs that may go, oldest first."""
    held = sa.exists(sa.select(units.c.id).where(units.c.job == jobs.c.id, units.c.state == UnitState.HELD))
    later = jobs.alias("later")
    repeated = sa.exists(sa.select(later.c.id).where(later.c.again_of == jobs.c.id))
    return (
        sa.select(jobs.c.id, jobs.c.stack, jobs.c.state, jobs.c.result)
        .where(jobs.c.finished < before, jobs.c.state.in_(ENDED), ~held, ~repeated)
        .order_by(jobs.c.finished, jobs.c.id)
        .limit(BATCH)
        .with_for_update(skip_locked=True)
    )


def forget_trail(tx: Tx, *, before: float) -> int:
    """Remove lines of the trail and departed workers from before a time; returns the number of lines."""
    gone = workers.c.state.in_((WorkerState.GONE, WorkerState.LOST))
    tx.conn.execute(sa.delete(workers).where(gone, workers.c.beat < before))
    return tx.conn.execute(sa.delete(trail).where(trail.c.at < before)).rowcount


def at_rest(tx: Tx, job: int) -> bool:
    """Whether a job ended and no worker holds a unit of it, so that its scratch may be removed; also True if it is gone."""
    state = tx.conn.scalar(sa.select(jobs.c.state).where(jobs.c.id == job))
    if state is None:
        return True
    held = sa.select(units.c.id).where(units.c.job == job, units.c.state == UnitState.HELD).limit(1)
    return JobState(state) in ENDED and tx.conn.scalar(held) is None
