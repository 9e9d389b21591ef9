"""Reconcile the store with what is running: workers whose process is gone, expired leases, units that nobody can take.

Any number of these may run, in as many processes; each does what it finds.
"""

from __future__ import annotations

import json
import logging
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from nearfar.jobs import Store, Unit, Worker
from nearfar.places import Places
from nearfar.runner.processes import here
from nearfar.settings import format_size

log = logging.getLogger(__name__)

WHO = "server"
CUT_OFF = (
    "a frame, or a file made from one, became shorter or its disk went away while it was read. Put the frames or the "
    "disk back, let copies arrive completely, then run again"
)
"""Why a process ended by SIGBUS: a page of a mapped file could not be read. The next attempt looks which file it is."""


@dataclass(frozen=True, kw_only=True)
class Death:
    """Why a worker's process is gone."""

    cause: str
    reason: str


@dataclass
class Reconciler:
    """What `round` remembers from one time to the next."""

    store: Store
    places: Places
    lease: float
    clock: Callable[[], float] = lambda: time.clock_gettime(time.CLOCK_BOOTTIME)
    """Counts on while the machine sleeps."""
    wall: Callable[[], float] = time.time
    alive: Callable[[str], bool | None] = here.alive
    oom_kills: Callable[[], int] = here.oom_kills
    memory: Callable[[], int] = lambda: _machine_memory()
    _kills: int = -1
    _last: tuple[float, float] | None = None
    _next_reap: float = 0.0
    _dead: dict[str, bool] = field(default_factory=dict)
    _told: set[int] = field(default_factory=set)

    def round(self) -> None:
        """Once; to be called every few seconds. Raises `StoreError`."""
        now = self.clock()
        self._find_dead()
        if self._asleep(now):  # and everybody else with us: let workers give a sign of life first
            self._next_reap = now + self.lease / 3
        elif now >= self._next_reap:
            self._reap()
            self._next_reap = now + min(self.lease / 6, 10.0)
        self._last = now, self.wall()

    def _asleep(self, now: float) -> bool:
        """Whether much time passed since the last round, by a clock or by somebody's hand."""
        if self._last is None:
            return False
        return max(now - self._last[0], self.wall() - self._last[1]) > self.lease / 2

    def _find_dead(self) -> None:
        """Bury workers whose process is gone; a round later if it is not yet known how it ended."""
        kills = self.oom_kills()
        rose = 0 <= self._kills < kills
        self._kills = kills
        dead = [worker for worker in self.store.workers(alive=True) if self.alive(worker.id) is False]
        for worker in dead:
            again = worker.id in self._dead
            for_memory = self._dead.pop(worker.id, False) or rose
            if again or exit_code(self.places, worker) is not None:
                self._bury(worker, for_memory=for_memory)
            else:
                self._dead[worker.id] = for_memory

    def _bury(self, worker: Worker, *, for_memory: bool) -> None:
        units = self.store.held_by(worker.id)
        death = self._death(worker, units, for_memory=for_memory)
        log.warning("worker lost: %s", death.reason, extra={"worker": worker.id, "action": "worker.lost"})
        failed = self.store.worker_lost(worker.id, cause=death.cause, reason=death.reason, who=WHO)
        for job in failed:
            log.error(
                "job %d failed: its units ended their workers too often",
                job,
                extra={"job": job, "action": "job.failed"},
            )

    def _death(self, worker: Worker, units: tuple[Unit, ...], *, for_memory: bool) -> Death:
        code = exit_code(self.places, worker)
        if for_memory and code in (None, -9):
            return Death(cause="memory", reason=self._too_much(worker, units))
        if code == -signal.SIGBUS:
            return Death(cause="changed", reason=CUT_OFF)
        how = "is gone" if code is None else f"ended by {here.signal_name(code)}"
        return Death(cause="crash", reason=f"process {worker.pid} of worker {worker.id} {how}")

    def _too_much(self, worker: Worker, units: tuple[Unit, ...]) -> str:
        planned = "; ".join(
            f"{u.kind} was planned to take {format_size(u.memory)}" for u in units if u.memory
        )
        return (
            f"the system killed process {worker.pid} since memory ran out: {planned or 'no unit was at work'}; this "
            f"worker may take {format_size(worker.memory)}, the machine has {format_size(self.memory())}. "
            "Lower worker.memory or worker.slots, or give the machine more"
        )

    def _reap(self) -> None:
        reaped = self.store.reap()
        for name in reaped.workers:
            log.warning(
                "worker lost: it gave no sign of life", extra={"worker": name, "action": "worker.lost"}
            )
        if reaped.ready or reaped.ended:
            log.warning(
                "%d units of silent workers may be taken again",
                reaped.ready,
                extra={"action": "unit.free-again"},
            )
        for job in reaped.failed:
            log.error(
                "job %d failed: its units were lost too often",
                job,
                extra={"job": job, "action": "job.failed"},
            )
        self._tell_too_large()

    def _tell_too_large(self) -> None:
        found = self.store.too_large()
        for unit in found:
            if unit.unit not in self._told:
                log.warning(
                    "a unit waits for a worker with %s of memory and %s of disk that understands form %d; none does",
                    format_size(unit.memory),
                    format_size(unit.disk),
                    unit.form,
                    extra={"job": unit.job, "unit": unit.unit, "action": "unit.too-large"},
                )
        self._told = {unit.unit for unit in found}


def end_of(places: Places, worker: str) -> Path:
    """The file in which it is written down how a worker's process ended."""
    return places.state / "ended" / f"{worker.replace('/', '_')}.json"


def exit_code(places: Places, worker: Worker) -> int | None:
    """How a worker's process ended, if that was written down or its parent has not come to it yet."""
    waiting = here.end_code(
        worker.id
    )  # first: its parent writes it down right after it has buried the process
    try:
        return int(json.loads(end_of(places, worker.id).read_text(encoding="utf-8"))["code"])
    except (OSError, ValueError, KeyError, TypeError):
        return waiting


def _machine_memory() -> int:
    import psutil

    return int(psutil.virtual_memory().total)
