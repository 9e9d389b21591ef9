"""Release what lost its worker: leases that ran out, workers that fell silent, and times from a clock that was set back.

One unit a transaction, so that a long list holds nobody up. Any number of reapers may run at the same time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import sqlalchemy as sa

from nearfar.errors import NotFound
from nearfar.jobs import claims, clock, events, moves, work
from nearfar.jobs.engine import Database, Tx
from nearfar.jobs.model import units, workers
from nearfar.jobs.records import Row
from nearfar.jobs.states import AttemptStep, JobState, UnitState, WorkerState


@dataclass(frozen=True, kw_only=True)
class Reaped:
    """What a reaper found."""

    ready: int
    """Units that may be taken again."""
    ended: int
    """Units that nobody wants any longer."""
    failed: tuple[int, ...]
    """Jobs that came to their end by it."""
    workers: tuple[str, ...]
    """Workers that count as lost now."""


def reap(db: Database) -> Reaped:
    """Do it all once."""
    db.write(clock.set_right)
    lost = db.write(_silent_workers)
    states = []
    failed = []
    for row in db.read(lambda tx: tx.conn.execute(run_out(tx)).all()):
        state = db.write(partial(_reap_one, found=row))
        states += [state] if state is not None else []
        failed += [row.job] if state is UnitState.FAILED else []
    return Reaped(
        ready=states.count(UnitState.READY) + states.count(UnitState.WAITING),
        ended=states.count(UnitState.CANCELLED),
        failed=tuple(failed),
        workers=lost,
    )


def _silent_workers(tx: Tx) -> tuple[str, ...]:
    alive = workers.c.state.in_((WorkerState.WORKING, WorkerState.DRAINING))
    silent = tx.conn.execute(
        sa.update(workers)
        .where(alive, workers.c.beat < tx.now - tx.rules.worker_silence)
        .values(state=WorkerState.LOST)
        .returning(workers.c.id)
    ).scalars()
    names = tuple(sorted(silent))
    for name in names:
        events.record(tx, "worker.lost", who="server", detail={"worker": name, "cause": "silent"})
    return names


def run_out(tx: Tx) -> sa.Select[*tuple[Any, ...]]:
    """Query for the units whose lease ran out, without waiting for anybody."""
    late = (units.c.state == sa.literal_column("'held'"), units.c.lease_until < tx.now)
    return sa.select(units).where(*late).order_by(units.c.lease_until)


def _reap_one(tx: Tx, found: Row) -> UnitState | None:
    """Release a unit whose lease ran out: its state then; None if something happened to it meanwhile."""
    job = lock_if_there(tx, found.job)
    row = lock_held(tx, found)
    if job is None or row is None or row.lease_until >= tx.now:
        return None
    cause, reason = claims.why_lost(tx, worker=row.worker, deadline=row.deadline, limit=row.limit)
    return lose(tx, job, row, cause=cause, reason=reason)


def lock_if_there(tx: Tx, job: int) -> Row | None:
    """The job's row, locked; None if it is gone."""
    try:
        return moves.lock_job(tx, job)
    except NotFound:
        return None


def lock_held(tx: Tx, found: Row) -> Row | None:
    """The row of a unit, locked; None if it is no longer held under the token that was found."""
    own = (units.c.id == found.id, units.c.token == found.token, units.c.state == UnitState.HELD)
    return tx.conn.execute(sa.select(units).where(*own).with_for_update(key_share=True)).first()


def lose(tx: Tx, job: Row, row: Row, *, cause: str, reason: str) -> UnitState:
    """End an attempt whose worker is gone; the state of the unit then. Job and unit are locked."""
    if moves.wanted(job, row.run):
        if job.state == JobState.WAITING:
            moves.begin(tx, job)
            job = moves.lock_job(tx, row.job)
        return work.give_up(
            tx, job, row, AttemptStep.LOST, cause=cause, reason=reason, retry=True, who="server"
        )
    own = (units.c.id == row.id, units.c.token == row.token)
    moves.move_units(tx, UnitState.CANCELLED, {UnitState.HELD}, *own, lease_until=None, deadline=None)
    claims.write_step(tx, row, AttemptStep.LOST, seconds=tx.now - row.started, cause=cause, reason=reason)
    return UnitState.CANCELLED
