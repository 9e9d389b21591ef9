"""Figures about the whole store, for metrics, health and people: each from an index, or from sums that are kept anyway."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from nearfar.jobs import flags, order, totals, workers
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import attempts, jobs, units
from nearfar.jobs.order import Room
from nearfar.jobs.records import FORM, Unit, Worker
from nearfar.jobs.states import AttemptStep, JobState, ServerState, UnitKind, WorkerState
from nearfar.jobs.transfers.tables import transfers

LATELY = 500
"""How many of the last units the pace is computed from."""
HELD = units.c.state == sa.literal_column("'held'")
SEEN = 100
"""The most ready units that are checked for one that no worker can take."""


@dataclass(frozen=True, kw_only=True)
class Figures:
    """The store at one moment."""

    at: float
    server: ServerState
    jobs: Mapping[JobState, int]
    """Every state, also with 0."""
    oldest_waiting: float | None
    """Seconds since the oldest waiting job was submitted; None: none waits."""
    units_ready: int
    units_held: int
    units_ended: Mapping[tuple[str, str], float]
    """Attempts that ended, by step and 'done', 'failed' or 'lost', since the store was made."""
    unit_seconds: Mapping[str, float]
    """Seconds of work that was done, by step, since the store was made."""
    jobs_ended: Mapping[str, float]
    failures: Mapping[str, float]
    """Jobs that failed, by cause, since the store was made."""
    counted: Mapping[str, float]
    """What units counted, and what processes counted by `Store.count`, by name."""
    transfers: Mapping[tuple[str, str], int]
    """Transfers to and from object storage, by kind ('fetch' or 'deliver') and state ('waiting' or 'failed')."""
    workers: tuple[Worker, ...]
    """Those with a recent heartbeat."""
    busy: frozenset[str]
    """Ids of those that have a unit."""


def figures(tx: Tx) -> Figures:
    """All figures, from one state of the store."""
    sums: dict[str, dict[str, float]] = {}
    for (name, label), value in totals.read(tx).items():
        sums.setdefault(name, {})[label] = value
    oldest = tx.conn.scalar(oldest_waiting())
    return Figures(
        at=tx.now,
        server=flags.server_state(tx),
        jobs=jobs_by_state(tx),
        oldest_waiting=None if oldest is None else max(0.0, tx.now - oldest),
        units_ready=tx.conn.execute(count_units("ready")).scalar_one(),
        units_held=tx.conn.execute(count_units("held")).scalar_one(),
        units_ended=_split(sums.get("units", {})),
        unit_seconds=sums.get("unit_seconds", {}),
        jobs_ended=sums.get("jobs", {}),
        failures=sums.get("failures", {}),
        counted=sums.get("counted", {}),
        transfers=_transfers(tx),
        workers=workers.known(tx, alive=True),
        busy=frozenset(tx.conn.scalars(sa.select(units.c.worker).where(HELD).distinct())),
    )


def _transfers(tx: Tx) -> dict[tuple[str, str], int]:
    kind, state = transfers.c.kind, transfers.c.state
    open_or_failed = state.in_(("waiting", "failed"))
    rows = tx.conn.execute(
        sa.select(kind, state, sa.func.count()).where(open_or_failed).group_by(kind, state)
    )
    return {(row[0], row[1]): row[2] for row in rows}


def _split(sums: Mapping[str, float]) -> dict[tuple[str, str], float]:
    """Sums whose labels are two words, by both."""
    parted = {label.partition(" "): value for label, value in sums.items()}
    return {(step, outcome): value for (step, _, outcome), value in parted.items()}


def jobs_by_state(tx: Tx) -> dict[JobState, int]:
    """Number of jobs in each state."""
    rows = tx.conn.execute(count_by_state()).all()
    return dict.fromkeys(JobState, 0) | {JobState(state): number for state, number in rows}


def count_by_state() -> sa.Select[str, int]:
    """Statement for the number of jobs in each state."""
    return sa.select(jobs.c.state, sa.func.count()).group_by(jobs.c.state)


def oldest_waiting() -> sa.Select[float]:
    """Statement for the time at which the oldest waiting job was submitted."""
    return sa.select(jobs.c.created).where(jobs.c.state == JobState.WAITING).order_by(jobs.c.created).limit(1)


def count_units(state: str) -> sa.Select[int]:
    """Statement for the number of units that are ready or held."""
    there = units.c.state == sa.literal_column(f"'{state}'")
    return sa.select(sa.func.count()).select_from(units).where(there)


def claimable(tx: Tx, room: Room, *, limit: int) -> int:
    """How many units a worker with this room could be given now, counted up to ``limit``."""
    if flags.server_state(tx) is not ServerState.OPEN:
        return 0
    ready = sa.select(units.c.id).where(*order.claimable(tx, room)).limit(limit)
    found = int(tx.conn.scalar(sa.select(sa.func.count()).select_from(ready.subquery())) or 0)
    expired = (HELD, units.c.lease_until < tx.now, room.fits())
    late = sa.select(units.c.id).where(*expired).limit(limit)
    return min(
        limit, found + int(tx.conn.scalar(sa.select(sa.func.count()).select_from(late.subquery())) or 0)
    )


def free_slots(tx: Tx) -> tuple[int, int, int]:
    """Units that working workers could take besides those they have; the most memory and disk that one of them has."""
    working = [worker for worker in workers.known(tx, alive=True) if worker.state is WorkerState.WORKING]
    held = tx.conn.execute(count_units("held")).scalar_one()
    free = max(0, sum(worker.slots for worker in working) - held)
    return (
        free,
        max((worker.memory for worker in working), default=0),
        max((worker.disk for worker in working), default=0),
    )


def held_by(tx: Tx, worker: str) -> tuple[Unit, ...]:
    """The units that a worker has."""
    rows = tx.conn.execute(sa.select(units).where(HELD, units.c.worker == worker).order_by(units.c.id))
    return tuple(Unit.from_row(row) for row in rows)


@dataclass(frozen=True, kw_only=True)
class Pace:
    """Seconds that units took for each second that was expected: 1 if the weights are right."""

    low: float
    """A tenth of the units took no longer."""
    middle: float
    high: float
    """A tenth of the units took longer."""
    count: int
    """How many units this is computed from."""


def pace(tx: Tx) -> dict[UnitKind, Pace]:
    """How the last units of each step compare with what was expected; steps without any are left out."""
    query = (
        sa.select(units.c.kind, attempts.c.seconds, units.c.weight)
        .join(units, units.c.id == attempts.c.unit)
        .where(attempts.c.step == AttemptStep.DONE, units.c.weight > 0)
        .order_by(attempts.c.id.desc())
        .limit(LATELY)
    )
    ratios: dict[UnitKind, list[float]] = {}
    for kind, seconds, weight in tx.conn.execute(query):
        ratios.setdefault(UnitKind(kind), []).append((seconds or 0.0) / weight)
    return {kind: _pace(sorted(found)) for kind, found in ratios.items()}


def _pace(ratios: list[float]) -> Pace:
    """Quantiles by the nearest rank."""
    low, middle, high = (ratios[round(part * (len(ratios) - 1))] for part in (0.1, 0.5, 0.9))
    return Pace(low=low, middle=middle, high=high, count=len(ratios))


@dataclass(frozen=True, kw_only=True)
class TooLarge:
    """A unit for which no living worker has the room, or which none understands."""

    job: int
    unit: int
    memory: int
    disk: int
    form: int = FORM


def too_large(tx: Tx) -> tuple[TooLarge, ...]:
    """Ready units that need more memory or disk than any living worker has free, or a newer worker; the first hundred."""
    beating = workers.known(tx, alive=True)
    if not beating:
        return ()
    room_for = [
        sa.and_(units.c.memory <= worker.memory, units.c.disk <= worker.disk, units.c.form <= worker.form)
        for worker in beating
    ]
    rows = tx.conn.execute(
        sa.select(units.c.job, units.c.id, units.c.memory, units.c.disk, units.c.form)
        .where(units.c.state == sa.literal_column("'ready'"), sa.not_(sa.or_(*room_for)))
        .order_by(units.c.id)
        .limit(SEEN)
    )
    return tuple(
        TooLarge(job=row.job, unit=row.id, memory=row.memory, disk=row.disk, form=row.form) for row in rows
    )
