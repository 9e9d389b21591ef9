"""Watched prefixes of buckets: each folder right below is a stack, and becomes a job once it has been quiet.

A listing is the truth, as with watched folders: what has the same keys, sizes and ETags for as long as the settings say
counts as complete. What was taken once, whatever became of it, is not taken again; other objects make another job.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass

from nearfar.errors import InputRefused, NearfarError, StoreError, UsageError
from nearfar.jobs import Duplicates, JobQuery, Store, Transfers
from nearfar.object_tables import BucketTable
from nearfar.places import Places
from nearfar.runner.disk import short_of_space
from nearfar.runner.objects import stacks
from nearfar.runner.objects.buckets import Bucket, Stored
from nearfar.server_settings import ServerSettings
from nearfar.settings import format_size

log = logging.getLogger(__name__)

WHO = "watch"
MOST = 10_000
"""Folders of one prefix that are looked at."""


@dataclass(frozen=True)
class _Seen:
    """What lay in a folder, and since when."""

    frames: tuple[Stored, ...]
    since: float
    settled: bool = False
    """It was taken, or can never be as it is."""


class Watcher:
    """Looks at all watched prefixes; belongs to one thread."""

    def __init__(
        self,
        settings: ServerSettings,
        places: Places,
        store: Store,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.settings, self.places, self.store = settings, places, store
        self.clock = clock
        self._known: dict[str, _Seen] = {}
        self._said: dict[str, str] = {}

    def look(self) -> int:
        """Look once; how many jobs that made."""
        made = 0
        for table in self.settings.objects.buckets:
            if table.watch is None:
                continue
            try:
                made += self._look(Bucket(table), table.watch)
            except StoreError:
                raise
            except NearfarError as error:
                self._tell(table.name, str(error))
            else:
                self._said.pop(table.name, None)
        return made

    def _look(self, bucket: Bucket, watched: str) -> int:
        folders = bucket.folders(watched, most=MOST)
        top = stacks.place_of(bucket, watched)
        there = {stacks.place_of(bucket, folder) for folder in folders}
        self._known = {p: s for p, s in self._known.items() if p in there or not p.startswith(top)}
        return sum(self._folder(bucket, folder) for folder in folders)

    def _folder(self, bucket: Bucket, prefix: str) -> bool:
        place, now = stacks.place_of(bucket, prefix), self.clock()
        try:
            frames = tuple(stacks.frames_below(bucket, prefix))
        except InputRefused as error:
            self._tell(place, str(error))
            return False
        known = self._known.get(place)
        if known is None or known.frames != frames:
            self._known[place] = _Seen(frames, now)
            return False
        if known.settled or not frames or now - known.since < self.settings.objects.quiet:
            return False
        if short_of_space(self.places, self.settings.worker.spare_disk) is not None:
            return False
        made = self._take(bucket.table, place, frames)
        self._known[place] = _Seen(frames, known.since, settled=True)
        return made

    def _take(self, table: BucketTable, place: str, frames: tuple[Stored, ...]) -> bool:
        recipe, owner = self.settings.inbox.recipe, self.settings.server.owner
        digest = stacks.digest_of(frames, recipe=recipe, settings={})
        if self.store.jobs(JobQuery(owner=owner, digest=digest, limit=1)).jobs:
            return False  # before this process began, or by hand
        try:
            self._check(frames)
            built = stacks.submission(
                place, frames, stack=None, recipe=recipe, settings={}, owner=owner, duplicates=Duplicates.SKIP
            )
        except UsageError as error:
            self._tell(place, str(error))
            return False
        detail = stacks.detail_of(frames)
        found = Transfers(self.store).submit(built, place=place, detail=detail, who=WHO)
        log.info("%s became job %d", place, found.job, extra={"action": "stack.taken", "job": found.job})
        return found.new

    def _check(self, frames: tuple[Stored, ...]) -> None:
        largest = self.settings.server.largest_upload
        for each in frames:
            if each.size > largest:
                raise UsageError(
                    f"{each.key} has {format_size(each.size)}; a frame may have {format_size(largest)} "
                    "(server.largest_upload)"
                )

    def _tell(self, about: str, what: str) -> None:
        """Say it once."""
        if self._said.get(about) != what:
            log.warning("watching %s: %s", about, what, extra={"action": "objects.not-watched"})
            self._said[about] = what
