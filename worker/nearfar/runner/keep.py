"""The process that keeps the server running: ``python -m nearfar.runner.keep``.

It publishes hints, releases what lost its worker, watches the disks and clears up. Any number may run.
"""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Callable

from nearfar.errors import StoreError
from nearfar.jobs import Store
from nearfar.places import Places, places_of
from nearfar.runner import beats, broker, logs
from nearfar.runner.disk import DiskWatch
from nearfar.runner.hints import Hinter
from nearfar.runner.opening import open_when_there
from nearfar.runner.planning import begin_uploads
from nearfar.runner.reconcile import Reconciler
from nearfar.runner.sweep import Sweeper
from nearfar.server_settings import ServerSettings, load_server

log = logging.getLogger(__name__)

ROUND = 2.0
"""Seconds between two looks at workers."""
DISK = 5.0
"""Seconds between two looks at disks."""
SOON = 3.0
"""Seconds between two looks at what is to go at once."""
LATER = 60.0
"""Seconds between two looks at what is kept for a time."""


def run(settings: ServerSettings, places: Places, store: Store, stop: threading.Event) -> None:
    """Go round until told to stop."""
    hinter = Hinter(settings, places, store, every=1.0)
    hinter.start()
    reconciler = Reconciler(store=store, places=places, lease=settings.store.lease)
    disk = DiskWatch(places, settings.worker.spare_disk)
    sweeper = Sweeper(store=store, places=places, keep=settings.keep)
    duties: list[tuple[float, Callable[[], object]]] = [
        (min(ROUND, settings.store.lease / 4), reconciler.round),
        (DISK, lambda: _look(disk, sweeper)),
        (SOON, sweeper.soon),
        (LATER, sweeper.later),
        (LATER, lambda: begin_uploads(store, places)),
        (DISK, lambda: _count_spoilt(store, places)),
        (600.0, lambda: broker.sweep(places.hints, now=time.time())),
    ]
    due = [0.0] * len(duties)
    while not stop.is_set():
        beats.beat()
        for k, (every, duty) in enumerate(duties):
            if time.monotonic() >= due[k]:
                _do(duty)
                due[k] = time.monotonic() + every
        stop.wait(max(0.05, min(due) - time.monotonic()))
    hinter.stop()


def _count_spoilt(store: Store, places: Places) -> None:
    count = broker.count_spoilt(places.hints)
    if count:
        store.count("hints_ignored", count)


def _look(disk: DiskWatch, sweeper: Sweeper) -> None:
    if disk.look().low:
        sweeper.make_room(lambda: disk.look().low)


def _do(duty: Callable[[], object]) -> None:
    """One duty's failure keeps no other from being done."""
    try:
        duty()
    except (StoreError, OSError) as error:
        log.warning("%s", error)
    except Exception:
        log.exception("a mistake in Nearfar")


def main() -> int:
    """By the settings of the environment."""
    logs.set_up("keep")
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    settings = load_server()
    places = places_of(settings)
    places.make()
    try:
        store = open_when_there(settings, places, leaving=stop.is_set, waiting=beats.beat)
    except StoreError as error:
        log.error("%s", error)
        return error.exit_code
    if store is not None:
        run(settings, places, store, stop)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
