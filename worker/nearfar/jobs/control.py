"""What people do to jobs: cancel, hold, release."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import sqlalchemy as sa

from nearfar.errors import IllegalTransition, StoreError
from nearfar.jobs import events, moves, owners, submit, work
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import jobs, units
from nearfar.jobs.records import ACCEPTED, Claim, UnitPlan
from nearfar.jobs.states import ENDED, JOB_MOVES, JobState, UnitState


def cancel(tx: Tx, job: int, *, who: str, reason: str | None) -> None:
    """Cancel a job at once. Workers that hold its units learn of it with their next request, and hand them back."""
    moves.lock_job(tx, job)
    moves.move_job(tx, job, JobState.CANCELLED, finished=tx.now, cause=None, reason=reason)
    moves.stop_units(tx, job)
    moves.end(tx, job, JobState.CANCELLED, who=who)


def outgrow(tx: Tx, job: int, *, reason: str, who: str) -> None:
    """Say of a job that has ended why another one has more of its stack; of any other nothing, it is called off."""
    row = moves.lock_job(tx, job)
    if JobState(row.state) not in ENDED:
        return
    both = f"{row.reason.removesuffix('.')}; {reason}" if row.reason else reason
    tx.conn.execute(sa.update(jobs).where(jobs.c.id == job).values(reason=both, updated=tx.now))
    events.record(tx, "job.outgrown", who=who, job=job, detail={"reason": reason})


def hold(tx: Tx, job: int, *, who: str, reason: str | None) -> None:
    """Give out no further unit of a job. Its units in work may finish, or are handed back."""
    moves.lock_job(tx, job)
    moves.move_job(tx, job, JobState.HELD, reason=reason)
    moves.move_units(tx, UnitState.WAITING, {UnitState.READY}, units.c.job == job)
    events.record(tx, "job.held", who=who, job=job, detail={"reason": reason})


def set_aside(tx: Tx, claim: Claim, *, cause: str, reason: str) -> UnitState:
    """Hold a job for a person's decision, and return the unit that asks for it, uncounted; returns the unit's state.

    If the job is held already, the reason stays as it is: the unit asks again once the job is released.
    """
    row = moves.lock_job(tx, claim.job)
    if moves.wanted(row, claim.run) and JobState(row.state) is not JobState.HELD:
        if row.state == JobState.WAITING:
            moves.begin(tx, row)
        moves.move_job(tx, claim.job, JobState.HELD, cause=cause, reason=reason)
        moves.move_units(tx, UnitState.WAITING, {UnitState.READY}, units.c.job == claim.job)
        events.record(
            tx, "job.held", who=claim.worker, job=claim.job, detail={"cause": cause, "reason": reason}
        )
    return work.hand_back(tx, claim, rest=0.0)


def release(tx: Tx, job: int, *, who: str) -> None:
    """Let a held job continue. If a unit held it, the cause is recorded as accepted in the job's settings."""
    row = moves.lock_job(tx, job)
    if row.state != JobState.HELD:
        state = JobState(row.state)
        raise IllegalTransition(f"job {job}", state=state, wanted="released", possible=JOB_MOVES[state])
    if not _planned(tx, job):
        raise StoreError(f"job {job} has no units yet, so it would wait for ever; plan it, then release it")
    owners.welcome(tx, row.owner)
    settings = dict(row.settings)
    if row.cause is not None:
        settings[ACCEPTED] = sorted({*settings.get(ACCEPTED, ()), row.cause})
    moves.move_job(tx, job, JobState.WAITING, cause=None, reason=None, settings=settings)
    moves.advance(tx, moves.lock_job(tx, job))
    events.record(tx, "job.released", who=who, job=job)


def begin(
    tx: Tx, job: int, plans: Sequence[UnitPlan], weights: Mapping[str, float], *, hold: str | None, who: str
) -> bool:
    """Plan and release a job that was held for lack of units, once; with ``hold`` it stays held, for that reason."""
    row = moves.lock_job(tx, job)
    if row.state != JobState.HELD or _planned(tx, job):
        return False
    submit.plan(tx, job, plans, weights, who=who)
    if hold is None:
        release(tx, job, who=who)
    else:
        tx.conn.execute(sa.update(jobs).where(jobs.c.id == job).values(reason=hold, updated=tx.now))
        events.record(tx, "job.held", who=who, job=job, detail={"reason": hold})
    return True


def _planned(tx: Tx, job: int) -> bool:
    return tx.conn.scalar(sa.select(units.c.id).where(units.c.job == job).limit(1)) is not None


def refuse(tx: Tx, job: int, *, cause: str, reason: str, who: str) -> None:
    """Fail a job that turned out to be impossible, e.g. because its plan fits no worker."""
    row = moves.lock_job(tx, job)
    moves.fail_job(tx, row, cause=cause, reason=reason, who=who)
