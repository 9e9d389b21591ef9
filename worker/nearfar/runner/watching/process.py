"""The process that watches folders: ``python -m nearfar.runner.watching.process``.

It scans, makes jobs of stacks that are complete, tells in ``state/inbox.json`` how each stands and why, and moves
originals if the settings ask for that. One runs for each data folder; a second one waits until the first is gone.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

from nearfar.errors import StoreError
from nearfar.intake.answering import answered
from nearfar.intake.arrivals import Found, Look
from nearfar.intake.card.following import Sorting, Sorts
from nearfar.intake.card.kept_card import card_files
from nearfar.intake.digests import Digests
from nearfar.intake.events import Events
from nearfar.intake.inbox import Inbox
from nearfar.intake.memory import Memory
from nearfar.intake.settling import Patience
from nearfar.intake.state import Entry, InboxState, StateWriter
from nearfar.jobs import Duplicates, Store
from nearfar.places import Places, places_of
from nearfar.runner import planning
from nearfar.runner.disk import read_disk
from nearfar.runner.hints import Hinter
from nearfar.runner.opening import open_when_there
from nearfar.runner.presence import Presence
from nearfar.runner.processes import beats, logs
from nearfar.runner.processes.turn import alone, stop_on_signals
from nearfar.runner.watching.arriving import MakeSubmission, Taker, remember_loose
from nearfar.runner.watching.card_sorting import CardSorter
from nearfar.runner.watching.claims import Claims, is_locked, lock_in
from nearfar.runner.watching.folders import excluded_folders, watched_folders, why_share
from nearfar.runner.watching.forgetting import Forgetter
from nearfar.runner.watching.moving import Mover
from nearfar.runner.watching.small_pictures import keep_set_aside
from nearfar.runner.watching.standing import Standings
from nearfar.server_settings import ServerSettings, load_server

log = logging.getLogger(__name__)

SHARE = 0.003
"""Part of a processor that scanning may take while nothing moves: the scan rests the longer, the more there is."""
LONGEST_REST = 30.0
"""Seconds between two scans at most."""
SIGN = 5.0
"""Seconds between two signs of life."""
MOVING = ("arriving", "settling", "queued")
"""States that change soon."""
MOVED_SHOWN = 100
"""Stacks whose frames were moved away that are still listed, the newest."""
CAREFUL = 0.02
"""Seconds that are always rested."""


def make_inbox(
    settings: ServerSettings,
    places: Places,
    memory: Memory,
    digests: Digests | None,
    sorts: Sorts | None = None,
) -> Inbox:
    """The watched folders by the settings. Without ``sorts`` no card is sorted that is not."""
    table = settings.inbox
    watched = watched_folders(settings, places)
    return Inbox(
        watched,
        rules=Patience(quiet=table.quiet, quiet_unseen=table.quiet_unseen, patience=table.patience),
        memory=memory,
        digests=digests,
        sorting=Sorting(files=card_files(places), sorts=sorts),
        ignore=table.ignore,
        excluded=excluded_folders(watched),
        share=why_share,
    )


def memory_file(places: Places) -> Path:
    """Where it is remembered what became of each stack."""
    return places.state / "stacks"


def lock_file(places: Places) -> Path:
    """What the watch of a data folder holds a lock on."""
    return lock_in(places.state)


def watch_runs(places: Places) -> bool:
    """Whether a watch works on this data folder, by the lock that it holds."""
    return is_locked(lock_file(places))


class Watch:
    """Looks at the watched folders, and does what follows.

    Parameters
    ----------
    kick
        Called when there is a new job.
    submission
        Plans a job; `planning.submission`.
    sorts
        Sorts cards; a process of its own if not given.
    clock
        Monotonic seconds.
    """

    def __init__(
        self,
        settings: ServerSettings,
        places: Places,
        store: Store,
        *,
        kick: Callable[[], None] = lambda: None,
        submission: MakeSubmission = planning.submission,
        sorts: Sorts | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.places = places
        self.memory = Memory.open(memory_file(places))
        self._sorter = CardSorter(card_files(places), memory=settings.worker.slot_memory)
        digests = Digests(places.state / "digests")
        self.inbox = make_inbox(settings, places, self.memory, digests, sorts or self._sorter)
        self.standings = Standings(store)
        remember_loose(self.memory, store, self.inbox)
        self._taker = Taker(
            store,
            self.memory,
            owner=settings.server.owner,
            recipe=settings.inbox.recipe,
            policy=Duplicates(settings.inbox.duplicates),
            submission=submission,
        )
        self._mover = Mover(self.memory, places.moved) if settings.inbox.after == "move" else None
        self._forgetter = Forgetter(
            self.memory, card_files(places), settings.keep, job=self.standings.of, clock=clock
        )
        self._kick = kick
        self._clock = clock
        self._scan = settings.inbox.scan
        self._writer = StateWriter(places)
        self._state = InboxState()
        self._away: list[Found] = []
        self._store = store
        self._presence = Presence(places)
        self._claims = Claims(places, self.memory.mounts)
        self._missing: str | None = None
        self._calm = False

    def is_there(self) -> bool:
        """Whether the data folder is there: an empty one in its place tells nothing of any stack."""
        try:
            missing = self._presence.why_away(self._store)
        except StoreError:  # reported by the look that follows
            return True
        if (missing is None) != (self._missing is None):
            log.warning("%s", missing or "the data folder is back", extra={"action": "watch.folder"})
        self._missing = missing
        return missing is None

    def look(self) -> float:
        """Look once; seconds after which to look again."""
        if not self.is_there():
            return self._scan
        self.inbox.refused = self._claims.look(
            root.path for root in self.inbox.watched if root.problem is None
        )
        began = time.thread_time() + self.inbox.scan_seconds
        look = self.inbox.look(self._clock())
        cost = time.thread_time() + self.inbox.scan_seconds - began
        try:
            self._act(look)
        except StoreError as error:
            self._wait_for(look, f"the job store does not answer: {error}")
        self._state = InboxState(folders=look.folders, entries=self._entries(look))
        self.tell()
        if look.hurry:
            return CAREFUL
        calm, before = not any(f.entry.state in MOVING or f.arrival for f in look.found), self._calm
        self._calm = calm
        return max(self._scan, min(LONGEST_REST, cost / SHARE)) if calm and before else self._scan

    def close(self) -> None:
        """End what goes on beside."""
        self._sorter.close()
        self._claims.close()

    def tell(self) -> None:
        """Write the state, if it changed or somebody may wonder whether we live."""
        try:
            self._writer.write(self._state, now=self._clock(), wall=time.time())
        except OSError as error:
            log.warning(
                "the state of the watched folders cannot be written: %s",
                error,
                extra={"action": "watch.state-not-written"},
            )

    def _act(self, look: Look) -> None:
        """Take what is complete, and tell how the rest stands."""
        self.standings.refresh()
        if self._mover is not None:
            self._mover.go_on()
        pause = read_disk(self.places)
        for found in look.found:
            if found.arrival is not None and pause.low:
                _waits(found, f"paused: {pause.reason}")
            elif found.arrival is not None:
                self._take(found)
            elif found.known is not None and self.standings.lost(found.known):
                self._look_again(found)
                continue
            try:
                self._after(found)
                if pause.low and found.known is not None and found.entry.state == "queued":
                    found.entry.why += f"; paused: {pause.reason}"
            except OSError as error:
                log.warning("%s: %s", found.entry.path, error, extra={"action": "stack.not-moved"})
        seen = {found.entry.path for found in look.found}
        unseen = [known for path, known in self.memory.known.items() if path not in seen]
        moved = sorted((k for k in unseen if k.moved), key=lambda k: k.job or 0)[-MOVED_SHOWN:]
        try:
            self._forgetter.round(look)
        except OSError as error:
            log.warning("what is gone is not forgotten: %s", error, extra={"action": "watch.not-forgotten"})
        away = [self.standings.away(k) for k in (*(k for k in unseen if not k.moved), *moved)]
        self._away = [found for found in away if found is not None]

    def _after(self, found: Found) -> None:
        """What follows from how the job of a stack stands."""
        if found.known is not None and self._mover is not None and found.known.job is not None:
            found.known = self._mover.move(found.known, self.standings.of(found.known.job))
        self.standings.tell(found)
        if found.known is not None and self._mover is not None and self._mover.is_late(found.known):
            found.entry.why += "; its frames are being moved, which takes long or hangs with a share"

    def _entries(self, look: Look) -> list[Entry]:
        return [found.entry for found in (*look.found, *self._away)]

    def _take(self, found: Found) -> None:
        arrival = found.arrival
        try:
            found.known = self._taker.take(found)
        except OSError as error:
            _waits(found, f"it cannot be remembered: {error}")
            return
        if found.known is not None:
            found.arrival, found.left = None, len(found.known.files)
            self._kick()
            if arrival is not None and found.known.job is not None:
                keep_set_aside(self._store, self.places, arrival, found.known.job)

    def _look_again(self, found: Found) -> None:
        """Take frames for themselves that counted as those of a job, since that one lost its own."""
        if found.known is None:
            return
        try:
            self.memory.forget([found.known.path])
        except OSError as error:
            log.warning("%s: %s", found.entry.path, error, extra={"action": "stack.not-remembered"})
        _waits(found, f"job {found.known.job} lost its frames; these are the same, and are taken next")
        found.known = None

    def _wait_for(self, look: Look, reason: str) -> None:
        for found in look.found:
            if found.arrival is not None:
                _waits(found, reason)
            elif found.known is not None and not found.entry.why:
                found.entry.job, found.entry.state = found.known.job, "queued"
                found.entry.why = f"job {found.known.job}; {reason}"


def _waits(found: Found, reason: str) -> None:
    found.entry.state, found.entry.why, found.entry.seconds = "waiting", reason, None


def run(watch: Watch, stop: threading.Event, *, scan: float) -> None:
    """Look again and again until told to stop; events of the file system cut a long rest short."""
    wake = threading.Event()
    folders = [folder.path for folder in watch.inbox.watched if folder.problem is None]
    cards = card_files(watch.places).folder  # decisions are made there
    cards.mkdir(parents=True, exist_ok=True)
    events = [Events(folder, wake.set) for folder in (*folders, str(cards))]
    for listener in events:
        answered(listener.start, None)  # a share may hang
    try:
        while not stop.is_set():
            beats.beat()
            began = time.monotonic()
            wake.clear()
            rest = watch.look()
            _rest(watch, stop, wake, began=began, rest=rest, scan=scan)
    finally:
        watch.close()
        for listener in events:
            listener.stop()


def _rest(
    watch: Watch, stop: threading.Event, wake: threading.Event, *, began: float, rest: float, scan: float
) -> None:
    """Wait for the next look, with signs of life."""
    while not stop.is_set():
        due = began + (min(rest, scan) if wake.is_set() else rest)
        left = due - time.monotonic()
        if left <= 0:
            return
        waiter = stop if wake.is_set() else wake
        waiter.wait(min(left, SIGN))
        beats.beat()
        watch.tell()


def main() -> int:
    """By the settings of the environment."""
    logs.set_up("watch")
    stop = stop_on_signals()
    settings = load_server()
    places = places_of(settings)
    with alone(lock_file(places), "watch", stop) as chosen:
        store = open_when_there(settings, places, leaving=stop.is_set, waiting=beats.beat) if chosen else None
        if store is None:
            return 0
        hinter = Hinter(settings, places, store)
        hinter.start()
        try:
            run(Watch(settings, places, store, kick=hinter.kick), stop, scan=settings.inbox.scan)
        finally:
            hinter.stop()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
