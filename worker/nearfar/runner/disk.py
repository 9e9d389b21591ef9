"""Watching the free space of the disks that are written to, so that all processes know when it is short.

The finding is in ``state/disk.json``. Intake and API read it and accept nothing new while space is short; workers hand back
what does not fit. Everything continues by itself when there is space again.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from nearfar.errors import DoesNotFit
from nearfar.places import Places
from nearfar.settings import format_size

NAME = "disk.json"
TOLD_AGAIN = 10.0
"""Seconds after which an unchanged finding is written again, so that readers see that the disks are still watched."""
TRUSTED = 60.0
"""Seconds for which readers trust a finding."""
EASED = 1.05
"""Free space has to reach this multiple of the spare space before it counts as enough again."""


@dataclass(frozen=True, kw_only=True)
class DiskState:
    """What is known of the space on disks."""

    low: bool
    reason: str | None
    """A sentence for people, if it is low."""
    written: float
    """Seconds since 1970."""


ENOUGH = DiskState(low=False, reason=None, written=0.0)


def read_disk(places: Places) -> DiskState:
    """The last finding; if it is too old, enough space is assumed."""
    try:
        told = json.loads((places.state / NAME).read_text(encoding="utf-8"))
        state = DiskState(low=bool(told["low"]), reason=told["reason"], written=float(told["written"]))
    except (OSError, ValueError, KeyError, TypeError):
        return ENOUGH
    return state if abs(time.time() - state.written) < TRUSTED else ENOUGH


def short_of_space(places: Places, spare: int) -> str | None:
    """Why nothing new is accepted, or None: by the last finding, and by the disk, which may be too full to write one."""
    told = read_disk(places)
    if told.low:
        return told.reason
    free = free_bytes(places.state)
    return _too_little(places.data, free, spare) if free < spare else None


def _too_little(folder: Path, free: int, spare: int) -> str:
    return (
        f"the disk of {folder} has {format_size(free)} free and {format_size(spare)} are to stay free; nothing new is "
        "taken until there is more. Make room there, or lower worker.spare_disk"
    )


def free_bytes(folder: Path) -> int:
    """Free bytes on the disk of a folder; if it does not exist yet, of its nearest parent."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free


def room(places: Places, spare: int) -> int:
    """Bytes that a worker may write: the free bytes of the fullest of its disks, less the spare bytes."""
    return max(0, min(free_bytes(p) for p in (places.scratch, places.work, places.results)) - spare)


class DiskWatch:
    """Checks the disks and writes the finding.

    Parameters
    ----------
    places
        The folders that are written to.
    spare
        Bytes that must stay free.
    free
        Free bytes on the disk of a folder; for tests.
    """

    def __init__(self, places: Places, spare: int, *, free: Callable[[Path], int] = free_bytes) -> None:
        self.places = places
        self.spare = spare
        self.free = free
        self.state = read_disk(places)

    def look(self) -> DiskState:
        """Check once, and write the finding if it changed or is getting old."""
        reason = self._reason()
        changed = (reason is not None) != self.state.low
        now = time.time()
        if changed or abs(now - self.state.written) >= TOLD_AGAIN:
            self.state = DiskState(low=reason is not None, reason=reason, written=now)
            self._tell()
        return self.state

    def _reason(self) -> str | None:
        wanted = int(self.spare * (EASED if self.state.low else 1.0))
        for folder in self._folders():
            free = self.free(folder)
            if free < wanted:
                return _too_little(folder, free, self.spare)
        return None

    def _folders(self) -> tuple[Path, ...]:
        places = self.places
        return places.data, places.results, places.uploads, places.work, places.scratch

    def _tell(self) -> None:
        write_whole(self.places.state / NAME, json.dumps(asdict(self.state)))


def write_whole(file: Path, text: str) -> None:
    """Write a small file so that readers see the old or the new one, even on a disk that is full."""
    part = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(file)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def check_room(folder: Path, need: int, spare: int) -> None:
    """Refuse to write so many bytes if they would not leave ``spare`` bytes free.

    Raises
    ------
    DoesNotFit
        The disk is too small even when it is empty.
    OSError
        It is too full now.
    """
    disk = shutil.disk_usage(folder)
    wanted = need + spare
    if wanted > disk.total:
        raise DoesNotFit(
            f"{folder}: its disk has {format_size(disk.total)}, {format_size(wanted)} are needed with those that are to "
            "stay free. Give it a larger disk, or lower worker.spare_disk."
        )
    if wanted > disk.free:
        raise OSError(
            errno.ENOSPC,
            f"{format_size(disk.free)} of disk are free, {format_size(wanted)} are needed",
            str(folder),
        )
