"""Write states to the store, only as the tables in `states` allow.

Locks are taken in one order everywhere: a job before its units; owners and totals last. Only whoever picks a unit
that nobody holds (a claim, the reaper) has the unit first, and does not wait for others meanwhile.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import sqlalchemy as sa

from nearfar.errors import IllegalTransition, NotFound
from nearfar.jobs import events, totals
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import jobs, units
from nearfar.jobs.records import Row, UnitPlan
from nearfar.jobs.states import ENDED, JOB_MOVES, UNIT_MOVES, WHOLE, JobState, UnitState, sources


def lock_job(tx: Tx, job: int) -> Row:
    """The row of a job, which nobody else changes until this transaction ends.

    Raises
    ------
    NotFound
        There is no such job.
    """
    # 'key_share' (NO KEY UPDATE): rows that refer to the job may still be added by others, a claim among them.
    row = tx.conn.execute(sa.select(jobs).where(jobs.c.id == job).with_for_update(key_share=True)).first()
    if row is None:
        raise NotFound(f"there is no job {job}; it may have been removed after its time of keeping")
    return row


def move_job(tx: Tx, job: int, to: JobState, **values: Any) -> None:
    """Change the state of a job, and other columns with it.

    Raises
    ------
    IllegalTransition
        The state that it is in does not lead there.
    """
    changed = tx.conn.execute(
        sa.update(jobs)
        .where(jobs.c.id == job, jobs.c.state.in_(sources(JOB_MOVES, to)))
        .values(state=to, updated=tx.now, **values)
    )
    if changed.rowcount == 0:
        state = JobState(lock_job(tx, job).state)
        raise IllegalTransition(f"job {job}", state=state, wanted=to, possible=JOB_MOVES[state])


def move_units(tx: Tx, to: UnitState, of: Collection[UnitState], *which: Any, **values: Any) -> int:
    """Change the state of all units that are in one of the states ``of`` and meet ``which``; their number.

    Raises
    ------
    IllegalTransition
        One of the states ``of`` does not lead there.
    """
    for state in of:
        if to not in UNIT_MOVES[state]:
            raise IllegalTransition("a unit", state=state, wanted=to, possible=UNIT_MOVES[state])
    changed = tx.conn.execute(
        sa.update(units).where(units.c.state.in_(of), *which).values(state=to, **values)
    )
    return changed.rowcount


def wanted(job: Row, run: int) -> bool:
    """Whether the job still wants what its given run makes."""
    return bool(job.run == run and JobState(job.state) not in ENDED)


def begin(tx: Tx, job: Row) -> None:
    """Note that work on a job began; nothing to do if that is known."""
    if job.state == JobState.WAITING:
        move_job(tx, job.id, JobState.RUNNING, started=job.started or tx.now)
        events.record(tx, "job.began", who="server", job=job.id, detail={"run": job.run})


HELPS: sa.ColumnElement[bool] = sa.and_(units.c.kind.in_(WHOLE), units.c.start > 0)
"""Condition that a unit only helps another one."""


def helps(row: Row | UnitPlan) -> bool:
    """Whether a unit only helps another one: its stage is done without it, and it brings no job down."""
    return row.kind in WHOLE and row.start > 0


def advance(tx: Tx, job: Row) -> JobState:
    """Make the units of the first stage that is not done ready; without such a stage the job is done. Its state then.

    ``job`` is its row, locked. While it is held nothing becomes ready. Help that came too late to be begun is called off;
    for help that is in work nobody waits: whoever gives it may be gone.
    """
    own = (units.c.job == job.id, units.c.run == job.run)
    open_ = (*own, units.c.state != UnitState.DONE, sa.not_(HELPS))
    stage = tx.conn.scalar(sa.select(sa.func.min(units.c.stage)).where(*open_))
    if stage is None:
        stop_units(tx, job.id)
        move_job(tx, job.id, JobState.DONE, finished=tx.now, progress=1.0, cause=None, reason=None)
        end(tx, job.id, JobState.DONE, who="server")
        return JobState.DONE
    late = (*own, HELPS, units.c.stage < stage)
    move_units(tx, UnitState.CANCELLED, {UnitState.WAITING, UnitState.READY}, *late)
    if job.state != JobState.HELD:
        move_units(tx, UnitState.READY, {UnitState.WAITING}, *own, units.c.stage == stage)
    return JobState(job.state)


def stop_units(tx: Tx, job: int) -> None:
    """Nobody is to begin another unit of a job that ended. Those in work end when their workers notice."""
    move_units(tx, UnitState.CANCELLED, {UnitState.WAITING, UnitState.READY}, units.c.job == job)


def fail_job(tx: Tx, job: Row, *, cause: str, reason: str, who: str, unit: int | None = None) -> None:
    """End a job that cannot go on."""
    move_job(tx, job.id, JobState.FAILED, cause=cause, reason=reason, finished=tx.now)
    stop_units(tx, job.id)
    end(tx, job.id, JobState.FAILED, who=who, unit=unit, cause=cause, reason=reason)


def end(
    tx: Tx,
    job: int,
    state: JobState,
    *,
    who: str,
    unit: int | None = None,
    cause: str | None = None,
    reason: str | None = None,
) -> None:
    """Record and count the end of a job."""
    detail = {"cause": cause, "reason": reason} if cause else {}
    events.record(tx, f"job.{state}", who=who, job=job, unit=unit, detail=detail)
    counted = {("jobs", str(state)): 1.0}
    totals.add(tx, counted | ({("failures", cause): 1.0} if cause else {}))
