"""A result appears complete or not at all: written aside, opened again and checked, then the folder renamed.

A rename never replaces a folder that has something in it, so a worker that lost its claim can spoil nothing: the first one
to get there publishes, whoever comes later with the same result finds it.
"""

from __future__ import annotations

import os
import shutil
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.durable import sync
from nearfar.errors import FrameRefused, WorkFailed
from nearfar.frames.decode import decode, read_header
from nearfar.frames.deliverable import Sums
from nearfar.frames.tiles import check_tiles
from nearfar.merge.deliver.outputs import Outputs
from nearfar.runner.results.versions import read_report

MAKING = ".making"
"""Folder below the results in which they are written."""
LONGEST_NAME = 100
"""Bytes of a result folder's name at most; the names in it are a little longer."""
MOST_NUMBERS = 10_000
TOGETHER = 8
"""Files that are synced at the same time."""
FORBIDDEN = set('/\\:*?"<>|')
"""Characters that some system or share does not take in a name; common practice, no source."""
RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
"""Names that Windows keeps for devices; from memory."""


def safe_name(stack: str) -> str:
    """A stack's name as that of a folder, on any system: composed form (NFC), without what separates or controls."""
    text = unicodedata.normalize("NFC", stack.encode("utf-8", "replace").decode("utf-8"))
    kept = "".join("_" if c in FORBIDDEN or not c.isprintable() else c for c in text)
    name = _shortened(kept.strip().lstrip(".").strip(), LONGEST_NAME).rstrip(". ")
    if not name or name.split(".")[0].casefold() in RESERVED:
        return _shortened(f"stack {name}".strip(), LONGEST_NAME)
    return name


def _shortened(text: str, size: int) -> str:
    return text.encode("utf-8")[:size].decode("utf-8", "ignore")


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Whose result a folder holds: kept in its report under ``job``."""

    id: int
    run: int
    key: str

    def as_json(self) -> dict[str, Any]:
        """For the report."""
        return {"id": self.id, "run": self.run, "key": self.key}

    def is_of(self, report: Mapping[str, Any]) -> bool:
        """Whether a report is of this job's result, from this attempt or an earlier one."""
        said = report.get("job")
        return isinstance(said, dict) and said.get("id") == self.id and said.get("key") == self.key


class Results:
    """The folder of all results.

    Parameters
    ----------
    folder
        Where they lie; group and rights of new ones are taken from it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def find(self, stack: str, mark: Mark) -> Path | None:
        """The picture that an earlier attempt of this job published, if it did and nothing of it is missing."""
        for name in self._names(safe_name(stack)):
            folder = self.folder / name
            if not os.path.lexists(folder):
                return None
            outputs = outputs_in(folder)
            if mark.is_of(read_report(outputs.report)) and _complete(outputs):
                return outputs.picture
        return None

    @contextmanager
    def staging(self, job: int, token: int) -> Iterator[Path]:
        """A folder to write a result into, which nobody else writes to; it is gone after the block."""
        making = self.folder / MAKING
        making.mkdir(exist_ok=True)
        staged = making / f"{job}-{token}"
        self.clear(job, token)
        staged.mkdir()
        try:
            self._inherit(staged)
            yield staged
        finally:
            shutil.rmtree(staged, ignore_errors=True)

    def clear(self, job: int, token: int) -> None:
        """Remove what attempts at a job left up to this one; their claims are lost, or this one could not be."""
        for entry in (self.folder / MAKING).glob(f"{job}-*"):
            number = entry.name.rpartition("-")[2]
            if number.isdigit() and int(number) <= token:
                shutil.rmtree(entry, ignore_errors=True)

    def _inherit(self, folder: Path) -> None:
        status = self.folder.stat()
        with suppress(OSError):
            os.chown(folder, -1, status.st_gid)
        folder.chmod(status.st_mode & 0o2777 | 0o700)

    def publish(self, staged: Path, stack: str, mark: Mark, *, fence: Callable[[], None]) -> Path:
        """Give a staged result, checked before, its name; the path of its picture, or of that which was there already.

        Parameters
        ----------
        staged
            The folder; its files are called after `safe_name` of the stack.
        fence
            Called right before the rename; raises if this worker no longer has the unit.

        Raises
        ------
        WorkFailed
            There is no name left.
        """
        base = now = safe_name(stack)
        self._settle(staged)
        for name in self._names(base):
            target = self.folder / name
            if not os.path.lexists(target):
                _call(staged, now, name)
                now = name
                fence()
                if _renamed(staged, target):
                    sync(self.folder)
                    return outputs_in(target).picture
            outputs = outputs_in(target)
            if mark.is_of(read_report(outputs.report)) and _complete(outputs):
                return outputs.picture
        raise WorkFailed(
            f"{self.folder / base}: that name and {MOST_NUMBERS} after it are taken; clear up the results"
        )

    def _settle(self, staged: Path) -> None:
        """Files get the group and rights that the folder gives, and everything reaches the disk."""
        status = staged.stat()
        for file in staged.iterdir():
            with suppress(OSError):
                os.chown(file, -1, status.st_gid)
            file.chmod(status.st_mode & 0o666 | 0o600)
        with ThreadPoolExecutor(TOGETHER) as pool:  # a file system writes its journal once for many that wait
            list(pool.map(sync, staged.iterdir()))
        sync(staged)
        sync(staged.parent)

    @staticmethod
    def _names(base: str) -> Iterator[str]:
        yield base
        for number in range(2, MOST_NUMBERS + 2):
            yield f"{base}-{number}"


def outputs_in(folder: Path) -> Outputs:
    """Files of a result: they are called like their folder."""
    return Outputs.beside(folder / f"{folder.name}.tif")


def _call(staged: Path, before: str, now: str) -> None:
    """Call the files of a staged result otherwise."""
    if before == now:
        return
    for file in list(staged.iterdir()):
        file.rename(staged / (now + file.name.removeprefix(before)))
    sync(staged)


def _renamed(staged: Path, target: Path) -> bool:
    """Give a folder its name, unless somebody else just took that."""
    try:
        staged.rename(target)
    except OSError:
        if os.path.lexists(target):
            return False
        raise
    return True


def _complete(outputs: Outputs) -> bool:
    files = (outputs.picture, *outputs.side_files())
    return all(file.is_file() and file.stat().st_size > 0 for file in files)


def check_picture(
    picture: Path, sums: Sums, *, size: tuple[int, int], threads: int, check: Callable[[], None]
) -> None:
    """Open the picture of a result again and read all of it.

    Parameters
    ----------
    sums
        Checksums of its tiles.
    size
        Width and height that it must have, pixels.
    check
        Called before the file and each tile; raises to stop.

    Raises
    ------
    WorkFailed
        It is not what was written.
    """
    check()
    with ThreadPoolExecutor(threads) as pool:
        found = check_tiles(picture, check=check, each=pool.map, sums=sums)
    if found != size:
        raise _wrong(picture, f"{found[0]} x {found[1]} pixels in place of {size[0]} x {size[1]}")


def check_side_files(
    outputs: Outputs, *, size: tuple[int, int], threads: int, check: Callable[[], None]
) -> None:
    """The same for all that belongs to the picture."""
    with ThreadPoolExecutor(threads) as pool:
        for each in (outputs.named("focus.tif"), outputs.named("doubt.tif")):
            check()
            check_tiles(each, check=check, each=pool.map)
    for picture in (outputs.named("preview.jpg"), outputs.named("focus.png"), outputs.named("report.png")):
        check()
        try:
            decode(read_header(picture))
        except FrameRefused as error:
            raise _wrong(picture, error.found) from error
    report = read_report(outputs.report)
    if report.get("size") != list(size):
        raise _wrong(outputs.report, "a report of another picture")
    if not outputs.named("report.txt").read_text(encoding="utf-8"):
        raise _wrong(outputs.named("report.txt"), "nothing")


def _wrong(path: Path, found: str) -> WorkFailed:
    return WorkFailed(
        f"{path}: found {found} after it was written; the disk may be failing. It will be made again"
    )
