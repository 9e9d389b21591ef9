"""Clear up after jobs: what they made on the way goes when nobody needs it, what they were given and gave when its time
of keeping is over.

Only what the server made is ever removed, in its own folders, by the numbers of jobs that it is named after; what cannot
be told for sure stays. Any number of processes may sweep at the same time.
"""

from __future__ import annotations

import json
import logging
import os
import re
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from nearfar.errors import NotFound
from nearfar.jobs import Job, JobQuery, JobState, Store, Transfers, UnitState
from nearfar.places import Places
from nearfar.runner.looking.ready import LOOKED
from nearfar.runner.mending.files import NOTES
from nearfar.runner.processes import here
from nearfar.runner.results.remove import GOING, files_in, folders_in, remove_file, remove_folder
from nearfar.runner.results.versions import EARLIER, earlier
from nearfar.server_settings import KeepTable

log = logging.getLogger(__name__)

DAY = 86400.0
WHO = "server"
MAKING = ".making"
"""Folder in which results are written before they get their names."""
NUMBER = re.compile(r"[1-9][0-9]{0,17}")
"""Number of a job or token as it is written in names; `str.isdecimal` takes digits of all scripts."""
PART = re.compile(r"\.(?P<host>\w+)-(?P<pid>\d+)-(?:u(?P<unit>\d+)t(?P<token>\d+)|[^-.]+)-[0-9a-f]+\.part")
"""End of the name of a file that a worker was still writing, with its claim on a unit."""
SEEN_AGAIN = 3600.0
"""Seconds after which a folder that is kept for its time is looked at again."""
QUIET = 30.0
"""Seconds for which nobody wrote to a half written file before its writer may count as dead: its number may be one of
another container's."""
LONGEST_UNIT = 2 * DAY
"""Seconds after which a half written file of another machine counts as left behind."""
REPORT = "nearfar-report/"
SLACK = 60.0
"""Seconds after its report within which all files of a result were written."""


@dataclass
class Sweeper:
    """Clears up; remembers which folders need no look for a while."""

    store: Store
    places: Places
    keep: KeepTable
    now: Callable[[], float] = time.time
    _later: dict[Path, float] = field(default_factory=dict)

    def soon(self) -> None:
        """What is to go as soon as nobody works on it: decoded frames, results half made, what was made on the way to a
        result that nobody gets. Every few seconds.
        """
        self.scratch()
        for folder in folders_in(self.places.work):
            self._work(folder)
        making = self.places.results / MAKING
        for folder in folders_in(making):
            if folder.name.startswith(GOING) or not self._made_by_someone(folder.name):
                remove_folder(folder, within=making)

    def scratch(self) -> None:
        """Decoded frames of this machine that no job needs any longer."""
        for folder in folders_in(self.places.scratch):
            self._scratch(folder)

    def later(self) -> None:
        """What is kept for a time. Every minute or so."""
        for folder in folders_in(self.places.uploads):
            self._uploads(folder)
        self._results()
        self._records()

    def make_room(self, short: Callable[[], bool]) -> int:
        """While space is short, remove what could be made again, the oldest first; how many folders went.

        That is the work folders of jobs that are done: their results stay, only running them again takes longer.
        """
        found: list[tuple[float, Path]] = []
        for folder in folders_in(self.places.work):
            family = self._family(folder)
            if family is not None and family and all(self._ended(job) for job in family):
                found.append((max(job.finished or 0.0 for job in family), folder))
        went = 0
        for _, folder in sorted(found):
            if not short():
                break
            if remove_folder(folder, within=self.places.work):
                log.warning(
                    "disk space is short: %s was removed; it can be made again",
                    folder,
                    extra={"action": "sweep.for-space"},
                )
                went += 1
        return went

    # Families: jobs that are the same stack again share folders, which have the number of the first.

    def _family(self, folder: Path) -> list[Job] | None:
        """The jobs that use a folder; empty: they are gone from the store; None: it is no folder of jobs."""
        if NUMBER.fullmatch(folder.name) is None:
            return None
        try:
            found = [self.store.job(int(folder.name))]
        except NotFound:
            return []
        for job in found:  # grows on the way
            after: str | None = None
            while True:
                page = self.store.jobs(JobQuery(again_of=job.id, limit=500, after=after))
                found += page.jobs
                after = page.after
                if after is None:
                    break
        return found

    def _ended(self, job: Job) -> bool:
        return job.finished is not None and self.store.at_rest(job.id)

    def _scratch(self, folder: Path) -> None:
        if folder.name.startswith(GOING):
            remove_folder(folder, within=self.places.scratch)
            return
        family = self._family(folder)
        if family is None:
            return
        if all(self.store.at_rest(job.id) for job in family):
            remove_folder(folder, within=self.places.scratch)
        else:
            self._parts(folder, family)

    def _work(self, folder: Path) -> None:
        if folder.name.startswith(GOING):
            remove_folder(folder, within=self.places.work)
            return
        if self._later.get(folder, 0.0) > self.now():
            return
        family = self._family(folder)
        if family is None:
            return
        self._parts(folder, family)
        if not all(self._ended(job) for job in family):
            return
        if self._worth_keeping(family):
            self._later[folder] = self.now() + SEEN_AGAIN
        elif remove_folder(folder, within=self.places.work):
            self._later.pop(folder, None)

    def _worth_keeping(self, family: list[Job]) -> bool:
        done = [job.finished or 0.0 for job in family if job.state is JobState.DONE]
        return bool(done) and not self._over(max(done), self.keep.work)

    def _over(self, since: float, days: float) -> bool:
        """Whether a time of keeping is over; 0 days keep for ever."""
        return days > 0 and self.now() - since > days * DAY

    def _parts(self, folder: Path, family: list[Job]) -> None:
        """Half written files of workers that are gone.

        Whoever holds its unit is not, however old its file looks: the clock of a share may be days behind this machine's.
        """
        for file in files_in(folder):
            found = PART.search(file.name)
            if found is None or not self._left_behind(file, found["host"], int(found["pid"])):
                continue
            if found["unit"] is None or not self._held(family, int(found["unit"]), int(found["token"])):
                remove_file(file, within=folder)

    def _held(self, family: list[Job], unit: int, token: int) -> bool:
        """Whether the claim with this token on this unit is in force."""
        units = (one for job in family for one in self.store.units(job.id) if one.id == unit)
        return any(one.state is UnitState.HELD and one.token == token for one in units)

    def _left_behind(self, file: Path, host: str, pid: int) -> bool:
        try:
            quiet = time.time() - file.stat().st_mtime
        except OSError:
            return False
        own = host == re.sub(r"[^A-Za-z0-9_]", "_", socket.gethostname())[:40]
        return quiet > (QUIET if own and here.started(pid) is None else LONGEST_UNIT)

    def _made_by_someone(self, name: str) -> bool:
        """Whether a result in the making, ``JOB-TOKEN``, is one that a worker holds; True if that cannot be told."""
        job, _, token = name.partition("-")
        if NUMBER.fullmatch(job) is None or NUMBER.fullmatch(token) is None:
            return True
        held = (unit for unit in self.store.units(int(job)) if unit.state is UnitState.HELD)
        return any(unit.token == int(token) for unit in held)

    # What is kept for a time

    def _uploads(self, folder: Path) -> None:
        if self._later.get(folder, 0.0) > self.now():
            return
        family = self._family(folder)
        if not family:
            self._stray(folder, family)
            return
        first = family[0]
        done = first.state is JobState.DONE and all(self._ended(job) for job in family)
        if done and self._over(max(job.finished or 0.0 for job in family), self.keep.uploads):
            remove_folder(folder, within=self.places.uploads)
        else:
            self._later[folder] = self.now() + SEEN_AGAIN

    def _stray(self, folder: Path, family: list[Job] | None) -> None:
        """Uploads of a job that is not in the store: only if records are removed at all, and this one was."""
        if family is None or not self._over(folder.stat().st_mtime, self.keep.jobs):
            return
        newest = self.store.jobs(JobQuery(limit=1)).jobs
        if newest and newest[0].id > int(folder.name):
            remove_folder(folder, within=self.places.uploads)

    def _records(self) -> None:
        if self.keep.jobs > 0:
            while gone := self.store.forget(before=self.now() - self.keep.jobs * DAY, who=WHO):
                for job in gone:
                    for within in (
                        self.places.uploads,
                        self.places.small,
                        self.places.state / NOTES,
                        self.places.plans,
                        self.places.scratch / LOOKED,
                    ):
                        remove_folder(within / str(job.job), within=within)
        if self.keep.trail > 0:
            self.store.forget_trail(before=self.now() - self.keep.trail * DAY)
        ended = self.places.state / "ended"
        for file in files_in(ended):
            if time.time() - file.stat().st_mtime > DAY:
                remove_file(file, within=ended)

    def _results(self) -> None:
        if self.keep.results <= 0:
            return
        for folder in folders_in(self.places.results):
            if folder.name.startswith(".") or not self._over(folder.stat().st_mtime, self.keep.results):
                continue
            finished = self._finished(folder)
            if finished is not None and self._over(finished, self.keep.results):
                self._remove_result(folder)

    def _finished(self, folder: Path) -> float | None:
        """When the job of a result ended; None if it is no result of ours, its job is at work again, or it is still to
        be put into a bucket.
        """
        try:
            report = json.loads((folder / f"{folder.name}.report.json").read_text(encoding="utf-8"))
            if not str(report["format"]).startswith(REPORT):
                return None
            job = self.store.job(int(report["job"]["id"]))
        except NotFound:
            return folder.stat().st_mtime
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return None if Transfers(self.store).open(job.id) else job.finished

    def _remove_result(self, folder: Path) -> None:
        """The files of a result as they were delivered; what a person put there or wrote to since stays, with its folder."""
        written = (folder / f"{folder.name}.report.json").stat().st_mtime
        versions = [version.picture.parent for version in earlier(folder / f"{folder.name}.tif")]
        for place in (*versions, folder):
            for file in files_in(place):
                if file.name.startswith(f"{folder.name}.") and file.stat().st_mtime <= written + SLACK:
                    remove_file(file, within=place)
        try:
            for place in (*versions, *([folder / EARLIER] if versions else []), folder):
                os.rmdir(place)  # noqa: PTH106 - fails if something is left
        except OSError:
            log.info(
                "%s holds more than its result; the rest of it stays",
                folder,
                extra={"action": "sweep.not-empty"},
            )
