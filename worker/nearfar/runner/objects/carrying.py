"""Carry frames from object storage and results to it: threads of the process that keeps the server running.

What is to be carried stands in the store (`jobs/transfers`) under a lease, so that any number of such processes may run, and
whoever is killed is followed by another that continues where it was. Nothing of this is loaded if no bucket is set up.
"""

from __future__ import annotations

import logging
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from nearfar.errors import (
    BucketAway,
    BucketRefused,
    Interrupted,
    LostClaim,
    NearfarError,
    SourceChanged,
    StoreError,
)
from nearfar.jobs import FrameNote, FrameState, Store, Transfer, Transfers
from nearfar.jobs.transfers.transfers import LEASE, Kind
from nearfar.object_tables import address_of
from nearfar.places import Places
from nearfar.runner.failures import in_words
from nearfar.runner.objects.buckets import Bucket, Changed, Stored
from nearfar.runner.objects.delivering import deliver, files_of
from nearfar.runner.objects.fetching import Awaited, fetch_all
from nearfar.runner.objects.watching import Watcher
from nearfar.runner.planning import plan_upload
from nearfar.runner.presence import Presence
from nearfar.server_settings import ServerSettings
from nearfar.settings import format_size

log = logging.getLogger(__name__)

EVERY = 2.0
"""Seconds between two looks at what is to be carried."""
FETCHERS = 2
"""Stacks that are fetched at a time."""
RESTS = (5.0, 15.0, 60.0, 180.0, 600.0)
"""Seconds between one try and the next; the last of them again and again."""
LEAVING = 5.0
"""Seconds that the threads get to hand back what they have."""


class Carrier:
    """Fetches frames from buckets and puts results there, in threads of its own.

    Parameters
    ----------
    settings
        The buckets, and what has to stay free.
    places
        Where frames go and results lie.
    store
        Asked from the threads alone.
    rests
        Seconds between one try and the next; the last of them again and again.
    every
        Seconds between two looks at what is to be carried.
    """

    def __init__(
        self,
        settings: ServerSettings,
        places: Places,
        store: Store,
        *,
        rests: tuple[float, ...] = RESTS,
        every: float = EVERY,
    ) -> None:
        self.settings, self.places, self.store = settings, places, store
        self.table = settings.objects
        self.transfers = Transfers(store)
        self.rests, self.every = rests, every
        self.presence = Presence(places)
        self.watcher = Watcher(settings, places, store)
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin; returns at once."""
        loops: list[Callable[[], bool]] = [self.fetch_one] * FETCHERS if self.table.buckets else []
        loops += [self.deliver_one] if self.table.target is not None else []
        every = [self.every] * len(loops)
        if any(bucket.watch is not None for bucket in self.table.buckets):
            loops.append(lambda: bool(self.watcher.look()))
            every.append(self.table.scan)
        for number, each in enumerate(zip(loops, every, strict=True)):
            made = threading.Thread(target=self._round, args=each, name=f"carry {number}", daemon=True)
            self._threads.append(made)
            made.start()

    def stop(self) -> None:
        """End; what is on its way is continued by the next process."""
        self._stop.set()
        end = time.monotonic() + LEAVING
        for thread in self._threads:
            thread.join(max(0.0, end - time.monotonic()))

    def _round(self, do: Callable[[], bool], every: float) -> None:
        while not self._stop.wait(every):
            while not self._stop.is_set() and self._quietly(do):
                pass

    def _quietly(self, do: Callable[[], bool]) -> bool:
        try:
            return self.presence.why_away(self.store) is None and do()
        except StoreError as error:  # whoever works with the store reports it
            log.debug("%s", error, extra={"action": "objects.store-away"})
        except Exception:
            log.exception(
                "a mistake in Nearfar while objects were carried", extra={"action": "objects.mistake"}
            )
        return False

    def fetch_one(self) -> bool:
        """Bring the frames of one job; False: there is none to bring."""
        taken = self.transfers.take(Kind.FETCH)
        if taken is None:
            return False
        self._carry(taken, self._fetch)
        return True

    def deliver_one(self) -> bool:
        """Put one result; False: there is none to put."""
        target = self.table.target
        if target is not None:
            self.transfers.want(target.target)
        taken = self.transfers.take(Kind.DELIVER)
        if taken is None:
            return False
        self._carry(taken, self._deliver)
        return True

    def _carry(self, taken: Transfer, do: Callable[[Transfer, _Beats], None]) -> None:
        """Try once, and write down how that went."""
        what = f"{taken.kind} of job {taken.job}, {taken.place}"
        about: dict[str, Any] = {"job": taken.job, "action": f"objects.{taken.kind}"}
        beats = _Beats(self.transfers, taken, self._stop)
        try:
            do(taken, beats)
            log.info("%s: done", what, extra=about)
        except LostClaim as error:
            log.info("%s: %s", what, error, extra=about)
        except Interrupted:
            self.transfers.later(taken, None, 0.0)
        except StoreError:
            raise
        except (BucketAway, OSError, SourceChanged) as error:
            if isinstance(error, Changed):
                beats.failures += 1
                self._give_up(taken, what, error)
                return
            rest = self.rests[min(taken.tries, len(self.rests)) - 1]
            log.warning("%s: tried again in %.0f s: %s", what, rest, in_words(error), extra=about)
            beats.failures += 1
            self.transfers.later(taken, in_words(error), rest)
        except NearfarError as error:
            beats.failures += 1
            self._give_up(taken, what, error)
        finally:
            self._count(taken, beats)

    def _count(self, taken: Transfer, beats: _Beats) -> None:
        """For metrics: what was carried, and tries that did not succeed. A store that is away misses them."""
        counts = {"bytes": beats.carried, "failures": beats.failures}
        for name, amount in counts.items():
            if amount:
                with suppress(StoreError):
                    self.store.count(f"transfer_{name}_{taken.kind}", amount)

    def _give_up(self, taken: Transfer, what: str, error: NearfarError) -> None:
        log.error("%s: given up: %s", what, error, extra={"job": taken.job, "action": "objects.given-up"})
        try:
            self.transfers.give_up(
                taken, str(error), cause="input" if isinstance(error, Changed) else "objects"
            )
        except LostClaim as lost:
            log.info("%s: %s", what, lost, extra={"job": taken.job, "action": "objects.lost"})

    def _bucket(self, place: str) -> Bucket:
        name, _ = address_of(place)
        table = self.table.bucket(name)
        if table is None:
            raise BucketRefused(
                f"{place}: {name} is no longer among objects.buckets; put it back, or submit again"
            )
        return Bucket(table)

    def _fetch(self, taken: Transfer, beats: _Beats) -> None:
        beats.now()
        frames = self._awaited(taken)
        self._room(taken, frames)

        def arrived(frame: Awaited, digest: str) -> None:
            note = FrameNote(
                position=frame.position, state=FrameState.PRESENT, size=frame.stored.size, digest=digest
            )
            self.store.note_frames(taken.job, [note])
            beats.carry(frame.stored.size)

        if frames:
            fetch_all(
                self._bucket(taken.place),
                frames,
                self.places.uploads / str(taken.job),
                parallel=self.table.parallel,
                check=beats.look,
                arrived=arrived,
            )
        beats.now()
        self.transfers.done(taken)
        plan_upload(self.store, taken.job, self.places)

    def _awaited(self, taken: Transfer) -> list[Awaited]:
        listed = taken.detail["objects"]
        return [
            Awaited(
                position=position,
                name=Path(entry.path).name,
                stored=Stored(key=listed[position][0], etag=listed[position][1], size=entry.size or 0),
            )
            for position, entry in enumerate(self.store.frames(taken.job))
            if entry.state is FrameState.EXPECTED
        ]

    def _room(self, taken: Transfer, frames: list[Awaited]) -> None:
        folder, spare = self.places.uploads, self.settings.worker.spare_disk
        needed, free = sum(frame.stored.size for frame in frames), shutil.disk_usage(folder).free
        here = sum(path.stat().st_size for path in (folder / str(taken.job)).glob("*.part"))
        if free - spare < needed - here:
            raise OSError(
                f"{format_size(needed)} are to come, {format_size(free)} are free at {folder}, and {format_size(spare)} "
                "have to stay free (worker.spare_disk); make room there"
            )

    def _deliver(self, taken: Transfer, beats: _Beats) -> None:
        beats.now()
        result = self.store.job(taken.job).result
        folder = Path(result).parent if result else None
        if folder is None or not folder.is_dir():
            raise BucketRefused(
                f"the result of job {taken.job} is no longer here ({folder}); there is nothing to put"
            )
        bucket = self._bucket(taken.place)
        left = taken.detail.get("open")
        if left:  # by a try that was killed
            with suppress(BucketRefused):  # without that right, parts stay until the storage clears them up
                bucket.drop(*left)
            beats.begun(None)
        target = self.table.target
        prefix = target.results if target is not None and target.results is not None else ""
        below = deliver(bucket, folder, prefix, check=beats.look, begun=beats.begun)
        beats.carry(sum(path.stat().st_size for path in files_of(folder)))
        self.transfers.done(taken, place=f"s3://{bucket.name}/{below}")


class _Beats:
    """Renews the lease of what is carried, from whatever thread asks."""

    def __init__(self, transfers: Transfers, taken: Transfer, stop: threading.Event) -> None:
        self.transfers, self.taken, self.stop = transfers, taken, stop
        self._lock = threading.Lock()
        self._due = 0.0
        self.carried = self.failures = 0

    def look(self) -> None:
        """Renew the lease if it is time to. Raises `Interrupted` when the server ends, `LostClaim` if nobody wants it any
        longer.
        """
        if self.stop.is_set():
            raise Interrupted("the server ends")
        with self._lock:
            if time.monotonic() < self._due:
                return
            self._due = time.monotonic() + LEASE / 8
        self.transfers.beat(self.taken)

    def now(self) -> None:
        """As `look`, but the lease is renewed whenever it was last."""
        self._due = 0.0
        self.look()

    def carry(self, size: int) -> None:
        """Count bytes that are where they belong."""
        with self._lock:
            self.carried += size

    def begun(self, upload: tuple[str, str] | None) -> None:
        """Record an upload in parts, so that the next process can drop it."""
        self.transfers.beat(self.taken, {"open": list(upload)} if upload is not None else {})
