"""A job as its units see it: frames, recipe and settings from the store, headers and digests from the files."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path

from nearfar.errors import FrameRefused, StackRefused
from nearfar.frames.decode import read_header
from nearfar.frames.headers import FrameHeader
from nearfar.intake.listing import in_sequence, made_by_nearfar, too_few
from nearfar.jobs import ACCEPTED, FrameEntry, Job, Store
from nearfar.merge.keys import Fingerprint, file_digest, key
from nearfar.merge.recipe import Recipe
from nearfar.merge.scratch import Scratch
from nearfar.merge.survey import Mark, changed
from nearfar.places import Places
from nearfar.runner.failures import is_passing
from nearfar.runner.planning import frame_path, recipe_of, root_of

MARK_VERSION = 1
REFUSALS_SHOWN = 5
NOT_A_FRAME = "a result of Nearfar, not a frame"
ON_REQUEST = "left out on request"
NOT_COVERED = "coverage"
"""The cause for which a job is held whose frames leave a slice of depth out."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """A job as the store describes it, before any file is opened. Frames are numbered by their places in the store."""

    job: Job
    root: int
    entries: tuple[FrameEntry, ...]
    paths: tuple[Path, ...]
    recipe: Recipe

    @classmethod
    def load(cls, store: Store, job_id: int, places: Places) -> Task:
        """Read a job from the store. Raises what `recipe_of` raises."""
        job = store.job(job_id)
        entries = store.frames(job_id)
        return cls(
            job=job,
            root=root_of(store, job),
            entries=entries,
            paths=tuple(frame_path(places, job_id, e.path) for e in entries),
            recipe=_accepting(recipe_of(job.recipe, job.settings), job),
        )

    @property
    def reference(self) -> str | None:
        """Name of the frame that was chosen as the reference, if any."""
        return self.job.settings.get("reference")

    def wanted(self, which: Iterable[int] | None = None) -> list[int]:
        """Places of all frames, or of ``which`` of them, without those that a person left out."""
        left = set(self.job.settings.get("leave_out") or ())
        which = range(len(self.paths)) if which is None else which
        return [k for k in which if self.paths[k].name not in left]


def _accepting(recipe: Recipe, job: Job) -> Recipe:
    """The recipe, changed so that it does not hold the stack for a cause that a person accepted."""
    if NOT_COVERED not in job.settings.get(ACCEPTED, ()):
        return recipe
    return replace(recipe, coverage=replace(recipe.coverage, when="warn"))


class Refused(Exception):
    """Frames that cannot be used, by their places."""

    def __init__(self, errors: Mapping[int, FrameRefused], count: int) -> None:
        self.errors = dict(errors)
        self.count = count
        super().__init__()

    def told(self) -> FrameRefused | StackRefused:
        """One error for all of them; an error that may be gone at the next attempt comes alone."""
        errors = list(self.errors.values())
        passing = [error for error in errors if is_passing(error)]
        if len(errors) == 1 or passing:
            return (passing or errors)[0]
        shown = " | ".join(str(error) for error in errors[:REFUSALS_SHOWN])
        more = f" | and {len(errors) - REFUSALS_SHOWN} more" if len(errors) > REFUSALS_SHOWN else ""
        return StackRefused(f"{len(errors)} of {self.count} files cannot be used: {shown}{more}")


@lru_cache(maxsize=2048)
def _header(path: Path, fingerprint: Fingerprint) -> tuple[FrameHeader, bool]:
    """A file's header, and whether it is a result of ours; kept for as long as the file's fingerprint is the same."""
    header = read_header(path)
    return header, made_by_nearfar(header)


@dataclass(frozen=True, kw_only=True)
class Frames:
    """Headers of frames of a job by their places in the store, and which of them are results of ours."""

    headers: Mapping[int, FrameHeader]
    results: tuple[int, ...]

    @classmethod
    def read(cls, task: Task, places: Sequence[int], check: Callable[[], None]) -> Frames:
        """Read headers.

        Raises
        ------
        Refused
            With every frame that cannot be read.
        """
        headers: dict[int, FrameHeader] = {}
        refused: dict[int, FrameRefused] = {}
        results = []
        for place in places:
            check()
            path = task.paths[place]
            try:
                fingerprint = Fingerprint.of(path)
                header, ours = _header(path, fingerprint)
            except FileNotFoundError:
                read_header(path)  # says what is wrong with it
                raise
            except OSError as error:
                refused[place] = _unreadable(path, error)
            except FrameRefused as error:
                refused[place] = error
            else:
                if ours:
                    results.append(place)
                else:
                    headers[place] = header
        if refused:
            raise Refused(refused, len(places))
        return cls(headers=headers, results=tuple(results))

    def in_order(self) -> list[int]:
        """Places in the order in which the frames were taken.

        Raises
        ------
        StackRefused
            Two have the same name, or fewer than two are left.
        """
        if len(self.headers) < 2:
            raise too_few(len(self.headers))
        by_path = {header.path: place for place, header in self.headers.items()}
        seen: dict[str, Path] = {}
        for path in by_path:
            other = seen.setdefault(path.name, path)
            if other != path:
                raise StackRefused(
                    f"found two frames called {path.name} ({other} and {path}); expected a name of its own for each frame. "
                    "Rename one of them, or leave it out."
                )
        return [by_path[h.path] for h in in_sequence(list(self.headers.values()))]


def _unreadable(path: Path, error: OSError) -> FrameRefused:
    refused = FrameRefused(
        path,
        found=f"a file that cannot be looked at ({error.strerror})",
        expected="a readable file",
        remedy="Check the folder's permissions, the disk or the network share, then try again.",
    )
    refused.__cause__ = error
    return refused


class Marks:
    """Digests of frames, computed once and kept in scratch for as long as the files do not change.

    Parameters
    ----------
    task
        Whose frames; digests in the store have to match, unless ``anew``.
    check
        Called before every file.
    """

    def __init__(
        self, task: Task, scratch: Scratch, check: Callable[[], None], *, anew: bool = False
    ) -> None:
        self.task = task
        self.scratch = scratch
        self.check = check
        self.anew = anew
        self._read: list[int] = []

    @property
    def bytes_read(self) -> int:
        """Bytes of files that had to be read for their digests."""
        return sum(self._read)

    def all(self, places: Sequence[int], threads: int, tick: Callable[[float], None]) -> dict[Path, Mark]:
        """Marks by path; ``tick`` is given 1 for each.

        Raises
        ------
        SourceChanged
            A frame has other bytes than when it was surveyed.
        OSError
            A file cannot be read.
        """
        found: dict[Path, Mark] = {}
        with ThreadPoolExecutor(threads) as pool:
            for place, mark in zip(places, pool.map(self._one, places), strict=True):
                found[self.task.paths[place]] = mark
                tick(1.0)
        return found

    def _one(self, place: int) -> Mark:
        self.check()
        path = self.task.paths[place]
        mark = self._found(path)
        known = self.task.entries[place].digest
        if not self.anew and known is not None and known != mark[0]:
            raise changed(path)
        return mark

    def _found(self, path: Path) -> Mark:
        fingerprint = Fingerprint.of(path)
        name = _mark_key(path, fingerprint)
        stored = self.scratch.load_text(name, "mark")
        if isinstance(stored, dict) and isinstance(stored.get("digest"), str):
            return stored["digest"], fingerprint
        digest = file_digest(path)
        self._read.append(fingerprint.size)
        if Fingerprint.of(path) != fingerprint:
            raise changed(path)
        self.scratch.save_text(name, "mark", {"digest": digest})
        return digest, fingerprint


def _mark_key(path: Path, fingerprint: Fingerprint) -> str:
    said = asdict(fingerprint)
    del said["device"]  # another number on every machine that mounts the same disk
    return key("mark", MARK_VERSION, said, [hashlib.sha256(os.fsencode(path)).hexdigest()])
