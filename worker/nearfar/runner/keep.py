"""The process that keeps the server running: ``python -m nearfar.runner.keep``.

It publishes hints, releases what lost its worker, watches the disks and clears up. Any number may run. What is about the
data folder rests while that is not there.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from nearfar.errors import StoreError
from nearfar.jobs import Outbox, Store
from nearfar.places import Places, places_of
from nearfar.runner import broker
from nearfar.runner.disk import DiskWatch
from nearfar.runner.frozen import FrozenWriters
from nearfar.runner.hints import Hinter
from nearfar.runner.messages.sending import Notifier
from nearfar.runner.opening import open_when_there
from nearfar.runner.planning import begin_uploads
from nearfar.runner.presence import Presence
from nearfar.runner.processes import beats, logs
from nearfar.runner.processes.role import HELPER, ROLE
from nearfar.runner.processes.turn import stop_on_signals
from nearfar.runner.reconcile import Reconciler
from nearfar.runner.results.sweep import Sweeper
from nearfar.server_settings import ServerSettings, load_server

if TYPE_CHECKING:
    from nearfar.runner.objects.carrying import Carrier

log = logging.getLogger(__name__)

ROUND = 2.0
"""Seconds between two looks at workers."""
DISK = 5.0
"""Seconds between two looks at disks."""
SOON = 3.0
"""Seconds between two looks at what is to go at once."""
LATER = 60.0
"""Seconds between two looks at what is kept for a time."""
HINTS = 0.5
"""Seconds between two looks whether a worker could be woken: between two steps of a job all others wait for it."""
HELPER_HINTS = 5.0
"""The same beside workers of another machine, which the server wakes as well."""


@dataclass(frozen=True, kw_only=True)
class Duty:
    """Something that is done again and again."""

    every: float
    do: Callable[[], object]
    anywhere: bool = False
    """Whether it needs no data folder."""


def duties_of(settings: ServerSettings, places: Places, store: Store, *, helper: bool) -> list[Duty]:
    """What this process sees to: beside workers of another machine, only to those and to their scratch."""
    reconciler = Reconciler(store=store, places=places, lease=settings.store.lease)
    sweeper = Sweeper(store=store, places=places, keep=settings.keep)
    found = [
        Duty(every=min(ROUND, settings.store.lease / 4), do=reconciler.round, anywhere=True),
        Duty(every=SOON, do=sweeper.scratch if helper else sweeper.soon),
    ]
    if helper:
        return found
    disk = DiskWatch(places, settings.worker.spare_disk)
    return [
        *found,
        Duty(every=DISK, do=lambda: _look(disk, sweeper, Outbox(store))),
        Duty(every=LATER, do=sweeper.later),
        Duty(every=LATER, do=lambda: begin_uploads(store, places)),
        Duty(every=DISK, do=lambda: _count_spoilt(store, places)),
        Duty(every=600.0, do=lambda: broker.sweep(places.hints, now=time.time())),
    ]


def run(settings: ServerSettings, places: Places, store: Store, stop: threading.Event) -> None:
    """Run until told to stop."""
    helper = os.environ.get(ROLE) == HELPER
    hinter = Hinter(settings, places, store, every=HELPER_HINTS if helper else HINTS)
    hinter.start()
    frozen = FrozenWriters(places, store)
    frozen.start()
    notifier = Notifier(settings, store)
    carrier = None
    if not helper:
        notifier.start()
        carrier = _carrier(settings, places, store)
    presence = Presence(places, ties=not helper)
    duties = duties_of(settings, places, store, helper=helper)
    due = [0.0] * len(duties)
    while not stop.is_set():
        beats.beat()
        for k, duty in enumerate(duties):
            if time.monotonic() >= due[k]:
                _do(lambda duty=duty: _if_there(duty, presence, store))  # type: ignore[misc]
                due[k] = time.monotonic() + duty.every
        stop.wait(max(0.05, min(due) - time.monotonic()))
    notifier.stop()
    if carrier is not None:
        carrier.stop()
    frozen.stop()
    hinter.stop()


def _carrier(settings: ServerSettings, places: Places, store: Store) -> Carrier | None:
    """Who carries to and from object storage, at work; loaded only if there is some."""
    if not settings.objects.buckets:
        return None
    from nearfar.runner.objects.carrying import Carrier

    made = Carrier(settings, places, store)
    made.start()
    return made


def _if_there(duty: Duty, presence: Presence, store: Store) -> None:
    """Do a duty, unless it is about a data folder that is not there."""
    if duty.anywhere or presence.why_away(store) is None:
        duty.do()


def _count_spoilt(store: Store, places: Places) -> None:
    count = broker.count_spoilt(places.hints)
    if count:
        store.count("hints_ignored", count)


def _look(disk: DiskWatch, sweeper: Sweeper, outbox: Outbox) -> None:
    before = disk.state.low
    found = disk.look()
    if found.low and not before:
        outbox.disk_low(found.reason or "")
    if found.low:
        sweeper.make_room(lambda: disk.look().low)


def _do(duty: Callable[[], object]) -> None:
    """One duty's failure keeps no other from being done."""
    try:
        duty()
    except (StoreError, OSError) as error:
        log.warning("%s", error, extra={"action": "keep.duty-failed"})
    except Exception:
        log.exception("a mistake in Nearfar", extra={"action": "keep.mistake"})


def main() -> int:
    """By the settings of the environment."""
    logs.set_up("keep")
    stop = stop_on_signals()
    settings = load_server()
    places = places_of(settings)
    places.make_own()
    try:
        store = open_when_there(settings, places, leaving=stop.is_set, waiting=beats.beat)
    except StoreError as error:
        log.error("%s", error, extra={"action": "keep.cannot-start"})
        return error.exit_code
    if store is not None:
        run(settings, places, store, stop)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
