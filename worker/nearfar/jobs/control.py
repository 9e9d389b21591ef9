"""What people do to jobs: cancel, hold, release."""

from __future__ import annotations

import sqlalchemy as sa

from nearfar.errors import IllegalTransition, StoreError
from nearfar.jobs import events, moves, owners
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import units
from nearfar.jobs.states import JOB_MOVES, JobState, UnitState


def cancel(tx: Tx, job: int, *, who: str, reason: str | None) -> None:
    """End a job at once. Its units in work are told with their next question and end when they are handed back."""
    moves.lock_job(tx, job)
    moves.move_job(tx, job, JobState.CANCELLED, finished=tx.now, cause=None, reason=reason)
    moves.stop_units(tx, job)
    moves.end(tx, job, JobState.CANCELLED, who=who)


def hold(tx: Tx, job: int, *, who: str, reason: str | None) -> None:
    """Give out no further unit of a job. Its units in work may finish, or are handed back."""
    moves.lock_job(tx, job)
    moves.move_job(tx, job, JobState.HELD, reason=reason)
    moves.move_units(tx, UnitState.WAITING, {UnitState.READY}, units.c.job == job)
    events.record(tx, "job.held", who=who, job=job, detail={"reason": reason})


def release(tx: Tx, job: int, *, who: str) -> None:
    """Let a held job go on where it was."""
    row = moves.lock_job(tx, job)
    if row.state != JobState.HELD:
        state = JobState(row.state)
        raise IllegalTransition(f"job {job}", state=state, wanted="released", possible=JOB_MOVES[state])
    if tx.conn.scalar(sa.select(units.c.id).where(units.c.job == job).limit(1)) is None:
        raise StoreError(f"job {job} has no units yet, so it would wait for ever; plan it, then release it")
    owners.welcome(tx, row.owner)
    moves.move_job(tx, job, JobState.WAITING, reason=None)
    moves.advance(tx, moves.lock_job(tx, job))
    events.record(tx, "job.released", who=who, job=job)


def refuse(tx: Tx, job: int, *, cause: str, reason: str, who: str) -> None:
    """End a job that turned out not to be workable, e.g. since its plan fits no worker."""
    row = moves.lock_job(tx, job)
    moves.fail_job(tx, row, cause=cause, reason=reason, who=who)
