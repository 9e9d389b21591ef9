"""The processes that take units: who they are, whether they live, and what happens to their units when they do not."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.errors import NotFound
from nearfar.jobs import events, flags, reap
from nearfar.jobs.engine import Database, Tx
from nearfar.jobs.model import units, workers
from nearfar.jobs.records import FORM, Row, Worker
from nearfar.jobs.states import UnitState, WorkerState

ALIVE = (WorkerState.WORKING, WorkerState.DRAINING)


def register(
    tx: Tx, *, worker: str, host: str, pid: int, version: str, slots: int, memory: int, disk: int
) -> None:
    """Register a worker; one with the same name counts as started again."""
    row = {
        "host": host,
        "pid": pid,
        "version": version,
        "slots": slots,
        "memory": memory,
        "disk": disk,
        "state": WorkerState.WORKING,
        "started": tx.now,
        "beat": tx.now,
        "form": FORM,
    }
    insert = postgresql.insert(workers) if tx.postgresql else sqlite.insert(workers)
    tx.conn.execute(insert.values(id=worker, **row).on_conflict_do_update(index_elements=["id"], set_=row))
    events.record(tx, "worker.started", who=worker, detail={"host": host, "pid": pid, "version": version})


def beat(tx: Tx, *, worker: str, memory: int, disk: int, state: WorkerState) -> None:
    """Record a heartbeat, with the memory and disk that are free now.

    Raises
    ------
    NotFound
        No worker of that name was registered, or it was removed after a long silence: register again.
    """
    changed = tx.conn.execute(
        sa.update(workers)
        .where(workers.c.id == worker)
        .values(beat=tx.now, memory=memory, disk=disk, state=state)
    )
    if changed.rowcount == 0:
        raise NotFound(f"there is no worker {worker}; register it")
    flags.host_seen(tx)


def leave(tx: Tx, *, worker: str) -> None:
    """Record that a worker ended. It has handed back its units before."""
    tx.conn.execute(
        sa.update(workers).where(workers.c.id == worker).values(state=WorkerState.GONE, beat=tx.now)
    )
    events.record(tx, "worker.left", who=worker)


def lost(db: Database, *, worker: str, cause: str, reason: str, who: str) -> tuple[int, ...]:
    """Release the units of a dead worker, with their attempts counted; returns the jobs for which it was the last one."""

    def note(tx: Tx) -> Sequence[Row]:
        tx.conn.execute(sa.update(workers).where(workers.c.id == worker).values(state=WorkerState.LOST))
        events.record(tx, "worker.lost", who=who, detail={"worker": worker, "cause": cause, "reason": reason})
        held = (units.c.state == sa.literal_column("'held'"), units.c.worker == worker)
        return tx.conn.execute(sa.select(units).where(*held).order_by(units.c.id)).all()

    def release(tx: Tx, found: Row) -> UnitState | None:
        job = reap.lock_if_there(tx, found.job)
        row = reap.lock_held(tx, found)
        return None if job is None or row is None else reap.lose(tx, job, row, cause=cause, reason=reason)

    ends = [(row.job, db.write(partial(release, found=row))) for row in db.write(note)]
    return tuple(job for job, state in ends if state is UnitState.FAILED)


def known(tx: Tx, *, alive: bool) -> tuple[Worker, ...]:
    """All workers, or those with a recent heartbeat, by name."""
    query = sa.select(workers).order_by(workers.c.id)
    if alive:
        query = query.where(workers.c.state.in_(ALIVE))
    return tuple(Worker.from_row(row) for row in tx.conn.execute(query))
