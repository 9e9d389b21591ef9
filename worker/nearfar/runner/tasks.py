"""What a process of the pool does: it takes units of any job, one at a time, until there is nothing to do.

Each process is a worker of its own in the store: it registers, gives signs of life from a thread, and leaves. A hint
makes it look at once; without any it looks by itself, so that work goes on while the broker is away.
"""

from __future__ import annotations

import contextlib
import logging
import os
import threading
import time
from collections.abc import Callable, Collection
from typing import Protocol

from celery import Celery

from nearfar import __version__
from nearfar.errors import LostClaim, NotFound, StoreError, StoreUnreachable
from nearfar.jobs import Claim, Coming, Store
from nearfar.places import Places
from nearfar.runner import disk
from nearfar.runner.app import TASK
from nearfar.runner.failures import THREADLESS, is_threadless
from nearfar.runner.hints import Hinter
from nearfar.runner.lingering import Lingering
from nearfar.runner.opening import open_when_there
from nearfar.runner.presence import Presence
from nearfar.runner.processes import beats, here, traces
from nearfar.runner.processes.role import HELPER, ROLE
from nearfar.server_settings import ServerSettings

log = logging.getLogger(__name__)

LOOK = 15.0
"""Seconds after which a worker without a hint asks the store for work."""
LOOK_SOON = 3.0
"""The same if the store did not answer."""
NEVER = 86400.0
"""Seconds between two looks for others without a kick: `nearfar.runner.keep` sees to that."""
KICKED = 0.03
"""Seconds between a claim and the look whether others are to be woken: who stays at the store is there first."""
UNUSABLE = 20.0
"""Seconds before a store that cannot be used is tried again."""
GRACE = 5.0
"""Seconds that a unit has to stop once the worker has to end; after that it is handed back while it still runs."""
OVERDUE = 30.0
"""Seconds after a unit's deadline at which a worker that still hangs in it ends itself."""
WATCH = 0.25
"""Seconds between two checks by the thread that makes sure that the process ends in time."""


class Perform(Protocol):
    """Does one unit completely; see `nearfar.runner.units.work_on`."""

    def __call__(self, store: Store, claim: Claim, leaving: Callable[[], bool]) -> None: ...  # noqa: D102


class Lane:
    """The worker in this process: takes units and does them, one at a time.

    Parameters
    ----------
    settings, places
        What the worker may use, and where everything is.
    perform
        Does a unit.
    leaving
        Whether this process has to end.
    parent
        Number of the process without which this one ends; the present parent's if not given.
    """

    def __init__(
        self,
        settings: ServerSettings,
        places: Places,
        perform: Perform,
        leaving: Callable[[], bool],
        *,
        parent: int | None = None,
    ) -> None:
        self.settings = settings
        self.places = places
        self.perform = perform
        self.leaving = leaving
        self.name = here.worker_name()
        self.store: Store | None = None
        self.claim: Claim | None = None
        self.look_soon = False
        self._hinter: Hinter | None = None
        self._presence = Presence(places)
        self._away: str | None = None
        apart = os.environ.get(ROLE) == HELPER and not places.share_rows
        self._near: int | None = 0 if apart else None
        self._began = 0.0
        self._lingering = Lingering()
        self._turn = threading.Lock()
        self._parent = parent or os.getppid()

    def start(self) -> None:
        """Begin, by threads; returns at once."""
        for body in (self._look, self._watch):
            threading.Thread(target=body, name=body.__name__.strip("_"), daemon=True).start()

    def work(self) -> int:
        """Take units until there is nothing to do or this process has to end; returns how many were taken.

        A second caller waits until the first is done, so that a process that is busy looks busy to Celery.
        """
        taken = 0
        with self._turn:
            while self.store is not None and not self.leaving():
                if self._one(self.store):
                    taken += 1
                elif not self._more_comes(self.store):
                    break
        return taken

    def _more_comes(self, store: Store) -> bool:
        """Wait for the next stage of the jobs that this worker took part in; whether there is a unit now."""

        def ask(jobs: Collection[int]) -> Coming:
            memory, free = self._room()
            return store.coming(self.name, jobs, memory=memory, disk=free)

        try:
            return not self.look_soon and self._lingering.wait(ask, self.leaving)
        except StoreError as error:
            log.warning("%s", error, extra=self._told("worker.store-away"))
            self.look_soon = True
            return False

    def _one(self, store: Store) -> bool:
        """Take one unit and do it; False: there was none, or the store does not answer."""
        memory, free = self._room()
        try:
            if self._folder_away(store):
                return False
            claim = store.claim(self.name, memory=memory, disk=free, near=self._near)
            self.look_soon = False
            if claim is None:
                return False
            self._began, self.claim = time.monotonic(), claim
            self._near = None if self._near is None else claim.job
            if self._hinter is not None:  # there may be more units, for those that are free
                self._hinter.kick()
            self.perform(store, claim, self.leaving)
            self._lingering.worked(claim.job)
            return True
        except StoreUnreachable as error:
            log.warning("%s", error, extra=self._told("worker.store-away"))
            self.look_soon = True
            return False
        except Exception as error:
            if is_threadless(error):
                log.warning("%s", THREADLESS, extra=self._told("worker.threadless"))
                self._give_up(store, cause="memory", reason=THREADLESS)
            else:
                log.exception(
                    "a mistake in Nearfar while a unit was at work", extra=self._told("worker.mistake")
                )
                self._give_up(
                    store, cause="mistake", reason="a mistake in Nearfar; see the log of the server"
                )
            self._lingering.forget()
            return False
        finally:
            self.claim = None

    def _folder_away(self, store: Store) -> bool:
        """Whether the data folder is away, in which case no unit is taken."""
        away = self._presence.why_away(store)
        if away is not None:
            self.look_soon = True
        if (away is None) != (self._away is None):
            log.warning("%s", away or "the data folder is back", extra=self._told("worker.folder"))
        self._away = away
        return away is not None

    def _told(self, action: str) -> dict[str, object]:
        return {"worker": self.name, "action": action}

    def _give_up(self, store: Store, *, cause: str, reason: str) -> None:
        if self.claim is not None:
            try:
                store.fail(self.claim, cause=cause, reason=reason)
            except StoreError as error:
                log.warning("%s", error, extra=self._told("worker.store-away"))

    def _look(self) -> None:
        """Open the store, send heartbeats, and look for work at intervals without a hint."""
        try:
            self.store = open_when_there(self.settings, self.places, leaving=self.leaving, waiting=beats.beat)
        except StoreError as error:
            log.error("%s", error, extra=self._told("worker.cannot-start"))
            self._rest(UNUSABLE)
            os._exit(os.EX_CONFIG)  # and another one is started, which asks again
        if self.store is None:
            return
        self._register(self.store)
        self._hinter = Hinter(self.settings, self.places, self.store, every=NEVER, rest=KICKED)
        self._hinter.start()
        threading.Thread(target=self._pulse, args=(self.store,), name="pulse", daemon=True).start()
        while not self.leaving():
            if not self._turn.locked():
                self.work()
            self._rest(LOOK_SOON if self.look_soon else LOOK)

    def _rest(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while not self.leaving() and (left := end - time.monotonic()) > 0:
            time.sleep(min(left, 1.0))

    def _register(self, store: Store) -> None:
        memory, free = self._room()
        try:
            store.register(
                self.name,
                host=here.host(),
                pid=os.getpid(),
                version=__version__,
                slots=1,
                memory=memory,
                disk=free,
            )
        except StoreUnreachable as error:
            log.warning("%s", error, extra=self._told("worker.not-registered"))

    def _room(self) -> tuple[int, int]:
        """Bytes of memory and disk for one unit; 0 of a disk that does not answer."""
        table = self.settings.worker
        try:
            return table.slot_memory, disk.room(self.places, table.spare_disk)
        except OSError as error:
            log.warning("%s", error, extra=self._told("worker.disk-away"))
            return table.slot_memory, 0

    def _pulse(self, store: Store) -> None:
        """Send heartbeats to the store and to the process that watches this one."""
        every = min(self.settings.store.lease / 6, 10.0)
        while not self.leaving():
            try:
                memory, free = self._room()
                store.worker_beat(self.name, memory=memory, disk=free)
            except NotFound:
                self._register(store)
            except StoreError as error:
                log.debug("%s", error, extra=self._told("worker.store-away"))
            beats.beat()
            self._rest(every)

    def _watch(self) -> None:
        """End this process when it has to: in time, with its parent, and if a unit hangs."""
        while not self.leaving():
            time.sleep(WATCH)
            if os.getppid() != self._parent:
                os._exit(0)
            self._end_hang()
        end = time.monotonic() + GRACE
        while self._turn.locked() and time.monotonic() < end:
            time.sleep(WATCH / 5)
        self.leave()
        os._exit(0)

    def _end_hang(self) -> None:
        claim = self.claim
        if claim is None:
            return
        limit = claim.deadline - claim.lease_until + self.settings.store.lease
        if time.monotonic() - self._began > limit + OVERDUE:
            log.error(
                "%s does not come to an end; this worker is restarted",
                claim.kind,
                extra={**claim.log_context(), **self._told("worker.overdue")},
            )
            os._exit(os.EX_SOFTWARE)

    def leave(self) -> None:
        """Hand back what is not done, and tell the store that this worker is gone."""
        claim, store = self.claim, self.store
        if store is None:
            return
        try:
            if claim is not None:
                with contextlib.suppress(LostClaim):
                    store.hand_back(claim)
            store.leave(self.name)
        except StoreError as error:
            log.warning("%s", error, extra=self._told("worker.not-left"))
        traces.flush()


_lane: Lane | None = None


def begin(lane: Lane) -> None:
    """Make this process, which was just forked, a worker."""
    global _lane
    _lane = lane
    lane.start()


def add_task(app: Celery) -> None:
    """Make the one task known."""

    @app.task(name=TASK, ignore_result=True)  # type: ignore[untyped-decorator]
    def work() -> None:
        """Look for work now."""
        if _lane is not None:
            _lane.work()
