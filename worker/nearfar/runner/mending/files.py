"""The files of a result when it is mended: staged whole, the version of before kept, then each renamed over its name.

The picture is one file and is replaced by one rename. Report and preview follow it; a crash in between leaves them a
version behind until the mends, which are still wanted then, are carried out again.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.durable import sync
from nearfar.errors import WorkFailed
from nearfar.frames.delivered import Delivered, Place
from nearfar.merge.deliver.outputs import Outputs
from nearfar.runner.disk import write_whole
from nearfar.runner.results.publish import MAKING
from nearfar.runner.results.remove import remove_folder
from nearfar.runner.results.versions import EARLIER, FIRST, earlier, folder_of, number_of, read_report

NOTES = "mends"
"""Folder of the server's own files in which is noted how versions were made; a folder for each job."""
STAGED = "mend-"
"""How folders begin in which a mended result is staged; the number of its job and the claim's token follow."""


@dataclass(frozen=True, kw_only=True)
class Made:
    """Which tiles of a delivered picture were made by mends, under which keys; kept among the server's own files."""

    size: int
    modified_ns: int
    tiles: Mapping[Place, str]

    @classmethod
    def of(cls, picture: Path, tiles: Mapping[Place, str]) -> Made:
        """Of a picture that is complete."""
        status = picture.stat()
        return cls(size=status.st_size, modified_ns=status.st_mtime_ns, tiles=dict(tiles))

    def is_of(self, picture: Path) -> bool:
        """Whether a file is the picture that this describes."""
        try:
            status = picture.stat()
        except OSError:
            return False
        return (status.st_size, status.st_mtime_ns) == (self.size, self.modified_ns)


class Notes:
    """What is noted of the versions of one job's picture.

    Parameters
    ----------
    folder
        For all jobs.
    job
        Its number.
    """

    def __init__(self, folder: Path, job: int) -> None:
        self._folder = folder / str(job)

    def write(self, number: int, made: Made) -> None:
        """Note how a version was made, before it is delivered."""
        for each in (self._folder.parent, self._folder):  # but nothing above: it may be a share that is away
            each.mkdir(exist_ok=True)
        tiles = {f"{level}/{place}": name for (level, place), name in made.tiles.items()}
        told = {"size": made.size, "modified_ns": made.modified_ns, "tiles": tiles}
        write_whole(self._folder / f"{number}.json", json.dumps(told))

    def read(self, number: int) -> Made | None:
        """What was noted of a version; None if nothing was that can be read."""
        try:
            told = json.loads((self._folder / f"{number}.json").read_text(encoding="utf-8"))
            tiles = {}
            for where, name in told["tiles"].items():
                level, _, place = where.partition("/")
                tiles[(int(level), int(place))] = str(name)
            return Made(size=told["size"], modified_ns=told["modified_ns"], tiles=tiles)
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None

    def forget(self, number: int) -> None:
        """Remove what was noted of a version."""
        (self._folder / f"{number}.json").unlink(missing_ok=True)


class MendedResult:
    """One delivered result.

    Parameters
    ----------
    picture
        Its picture, as the store knows it.
    results
        The folder of all results, in which it lies.

    Raises
    ------
    WorkFailed
        It is not there, or its first picture is gone.
    """

    def __init__(self, picture: Path, results: Path) -> None:
        self.picture = picture
        self.results = results
        self.outputs = Outputs.beside(picture)
        self.report = read_report(self.outputs.report)
        self.number = number_of(self.report)
        kept = folder_of(picture, FIRST) / picture.name
        self.first = kept if kept.is_file() else picture
        if not picture.is_file() or not self.report:
            raise WorkFailed(
                f"{picture}: the picture or its report is not there any longer; put both back, or run the job again"
            )
        if self.first == picture and self.number != FIRST:
            raise WorkFailed(
                f"{kept}: the first picture is not there any longer, and mends begin from it; put it back, or run the "
                "job again"
            )
        self.first_report = read_report(Outputs.beside(self.first).report)

    @contextmanager
    def staging(self, job: int, token: int) -> Iterator[Path]:
        """A folder to write to, gone after the block; what earlier attempts left goes first."""
        making = self.results / MAKING
        making.mkdir(exist_ok=True)
        for entry in making.glob(f"{STAGED}{job}-*"):
            remove_folder(entry, within=making)
        staged = making / f"{STAGED}{job}-{token}"
        staged.mkdir()
        try:
            yield staged
        finally:
            shutil.rmtree(staged, ignore_errors=True)

    def settle(self, file: Path) -> None:
        """Give a staged file group and rights of the one that it replaces, and see that it reaches the disk."""
        status = self.picture.stat()
        with suppress(OSError):
            os.chown(file, -1, status.st_gid)
        file.chmod(status.st_mode & 0o777)
        sync(file)

    def keep_present(self) -> None:
        """Keep the version that is delivered now, if it is not kept already: the same file under a second name."""
        folder = folder_of(self.picture, self.number)
        if (folder / self.picture.name).is_file():
            return
        parent = self.picture.parent / EARLIER
        parent.mkdir(exist_ok=True)
        part = parent / f".{self.number}.part"
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir()
        for file in (self.picture, self.outputs.report, self.outputs.named("preview.jpg")):
            if file.is_file():
                _second_name(file, part / file.name)
        sync(part)
        part.rename(folder)
        sync(parent)

    def replace(self, staged: Path, *, fence: Callable[[], None]) -> None:
        """Put a staged picture in the place of the present one.

        Parameters
        ----------
        staged
            The new picture, settled.
        fence
            Called right before; raises if this worker no longer has the mends.
        """
        fence()
        staged.rename(self.picture)
        sync(self.picture.parent)

    def replace_beside(self, staged: Path) -> None:
        """Put the staged files that belong to the picture in their places, the report last."""
        files = sorted(staged.iterdir(), key=lambda file: file.name == self.outputs.report.name)
        for file in files:
            self.settle(file)
            file.rename(self.picture.parent / file.name)
        sync(self.picture.parent)

    def prune(self, most: int, notes: Notes) -> None:
        """Remove the oldest of more than ``most`` earlier versions; the first one always stays."""
        kept = [version for version in earlier(self.picture) if version.number != FIRST]
        parent = self.picture.parent / EARLIER
        for version in kept[: max(0, len(kept) - most)]:
            remove_folder(version.picture.parent, within=parent)
            notes.forget(version.number)


def clear_staged(results: Path) -> None:
    """Remove what was staged by processes that are gone; only for whoever knows that nobody is at work on mends."""
    making = results / MAKING
    for entry in making.glob(f"{STAGED}*"):
        remove_folder(entry, within=making)


def check_written(path: Path, tiles: Mapping[Place, bytes], like: Delivered) -> None:
    """Open a staged picture again: directories, and the tiles that are new.

    Raises
    ------
    WorkFailed
        It is not what was written.
    """
    with Delivered(path) as written:
        same = [(a.width, a.height, list(a.counts)) for a in written.levels]
        expected = []
        for number, level in enumerate(like.levels):
            counts = [len(tiles.get((number, k), b"")) or count for k, count in enumerate(level.counts)]
            expected.append((level.width, level.height, counts))
        if same != expected or any(written.coded(place) != data for place, data in tiles.items()):
            raise WorkFailed(
                f"{path}: found other tiles than were written; the disk may be failing. It is made again"
            )


def _second_name(file: Path, target: Path) -> None:
    """The same file under a second name; a copy if the file system knows no such thing."""
    try:
        os.link(file, target, follow_symlinks=False)
    except OSError:
        shutil.copy2(file, target)
        sync(target)


def mended_report(
    first: Mapping[str, Any], mends: list[dict[str, Any]], version: dict[str, Any]
) -> dict[str, Any]:
    """The first picture's report with the mends that are in force and the version."""
    return {**first, "mends": mends, "version": version}
