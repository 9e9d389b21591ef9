"""What the store offers to workers, about themselves and the units that they hold; `Store` inherits it.

Every method is one transaction.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import partial

from nearfar.errors import LostClaim
from nearfar.jobs import claims, control, flags, work, workers
from nearfar.jobs import reap as reaper
from nearfar.jobs.engine import Database, Tx
from nearfar.jobs.order import Room
from nearfar.jobs.reap import Reaped
from nearfar.jobs.records import Claim, Coming, Wish, Worker
from nearfar.jobs.states import JobState, ServerState, UnitState, WorkerState
from nearfar.jobs.work import Outcome


class UnitStore:
    """Workers and their units: registration, claims, heartbeats, outcomes."""

    database: Database

    def register(
        self, worker: str, *, host: str, pid: int, version: str, slots: int, memory: int, disk: int
    ) -> None:
        """Make a worker known, with its free memory and disk in bytes and how many units it takes at a time."""
        call = partial(workers.register, worker=worker, host=host, pid=pid, version=version, slots=slots)
        self.database.write(lambda tx: call(tx, memory=memory, disk=disk))

    def worker_beat(
        self, worker: str, *, memory: int, disk: int, state: WorkerState = WorkerState.WORKING
    ) -> ServerState:
        """A worker's heartbeat, due every 10 s; returns what the server asks of all workers. Raises `NotFound`."""

        def beat(tx: Tx) -> ServerState:
            workers.beat(tx, worker=worker, memory=memory, disk=disk, state=state)
            return flags.server_state(tx)

        return self.database.write(beat)

    def leave(self, worker: str) -> None:
        """A worker ends, having handed back its units."""
        self.database.write(lambda tx: workers.leave(tx, worker=worker))

    def worker_lost(self, worker: str, *, cause: str, reason: str, who: str) -> tuple[int, ...]:
        """Release the units of a worker known to be dead, e.g. killed for memory, at once and with that attempt counted.

        Returns the numbers of the jobs that failed because it was their last attempt.
        """
        return workers.lost(self.database, worker=worker, cause=cause, reason=reason, who=who)

    def workers(self, *, alive: bool = False) -> tuple[Worker, ...]:
        """All workers on record, or only those with a recent heartbeat, by name."""
        return self.database.read(lambda tx: workers.known(tx, alive=alive))

    def claim(
        self, worker: str, *, memory: int | None = None, disk: int | None = None, near: int | None = None
    ) -> Claim | None:
        """Give the next unit to a worker, under a lease; None if there is none for it.

        Parameters
        ----------
        memory, disk
            What the worker has free, in bytes; None: no limit.
        near
            The job whose frames the worker has decoded: its units come first; see `order.near_units`.
        """
        room = Room(worker=worker, memory=memory, disk=disk, near=near)
        return self.database.write(lambda tx: claims.claim(tx, room))

    def coming(
        self, worker: str, part: Collection[int], *, memory: int | None = None, disk: int | None = None
    ) -> Coming:
        """What a worker that has no unit, and took part in the jobs ``part``, may expect; only reads.

        `Coming.SOON`: one of these jobs runs, and units of later stages wait. ``memory``, ``disk`` as of `claim`.
        """
        room = Room(worker=worker, memory=memory, disk=disk)
        return self.database.read(lambda tx: claims.coming(tx, room, part))

    def wish(self, claim: Claim) -> Wish:
        """What the holder of a unit should do. Only reads, and is to be asked every second. Raises `LostClaim`."""
        return self.database.read(lambda tx: work.wish(tx, claim))

    def beat(self, claim: Claim, *, progress: float) -> Wish:
        """Renew the lease, every 10 s, with the unit's progress (0..1); returns what its holder should do.

        Raises `LostClaim`: the unit is no longer this worker's, or its time is up.
        """
        return self.database.write(lambda tx: work.beat(tx, claim, progress))

    def finish(self, claim: Claim, outcome: Outcome | None = None) -> JobState:
        """Record all that a unit made, at once, and let the next units begin; returns the job's state after that.

        If no answer came (`StoreUnreachable`), call it again: an outcome is recorded only once.

        Raises
        ------
        LostClaim
            The unit is no longer this worker's, or nobody wants it: nothing was kept.
        StoreError
            The plan would end without a `deliver` unit, or adds to a stage that is not a later one.
        """
        state = self.database.write(lambda tx: work.finish(tx, claim, outcome or Outcome()))
        if state is None:
            raise LostClaim(f"unit {claim.unit}: job {claim.job} no longer wants it; drop the work")
        return state

    def fail(
        self, claim: Claim, *, cause: str, reason: str, retry: bool = True, memory: int | None = None
    ) -> UnitState:
        """Record that a unit failed, with a cause in a word and a reason in a sentence; returns its state.

        `UnitState.FAILED` means that the job failed with it: after the last attempt, or if ``retry`` is False because
        trying again cannot help. ``memory``: bytes that the unit turned out to need. Raises `LostClaim`.
        """
        call = partial(work.fail, claim=claim, cause=cause, reason=reason, retry=retry, memory=memory)
        return self.database.write(call)

    def hand_back(
        self, claim: Claim, *, rest: float = 0.0, cause: str | None = None, reason: str | None = None
    ) -> UnitState:
        """Return a unit unfinished and uncounted, for others to take after ``rest`` seconds, an hour at most.

        Returns its state. After `Wish.DROP` this ends it: call it once its scratch is removed. Raises `LostClaim`.
        """
        return self.database.write(
            partial(work.hand_back, claim=claim, rest=rest, cause=cause, reason=reason)
        )

    def set_aside(self, claim: Claim, *, cause: str, reason: str) -> UnitState:
        """Hold the job of a unit until a person decides, and return the unit uncounted; returns its state.

        A release puts the cause under `records.ACCEPTED` in the job's settings. Raises `LostClaim`, `NotFound`.
        """
        return self.database.write(lambda tx: control.set_aside(tx, claim, cause=cause, reason=reason))

    def reap(self) -> Reaped:
        """Release units that lost their worker; fail those that did too often. Any process may call it now and then."""
        return reaper.reap(self.database)
