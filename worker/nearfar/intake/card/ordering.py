"""In what order a camera took its frames: by the numbers it gave them, by its clock, or by their names.

Numbers start again after 9999, in the same folder or in the next one; clocks read whole seconds, are set back, or are
not there at all. Numbers are believed as long as the clock agrees with them nearly everywhere.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

from nearfar.frames.camera import CameraData
from nearfar.intake.listing import natural

DCF_FOLDER = re.compile(r"(\d{3})\w{5}$")
"""Folder names of cameras: three digits, five letters or digits (CIPA DC-009, design rule for file systems)."""
WRAP = 10_000
NUMBERS_TRUSTED = 0.02
"""Share of neighbours that the clock may put in the other order before numbers are no longer used."""

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Place:
    """A file's place in its camera's own numbering."""

    folder: int | None  # the three digits that its name begins with
    number: int | None  # 1 to 9999
    name: object  # sorts as people expect


def place_of(path: Path) -> Place:
    """Read folder and frame number from a path."""
    folder = DCF_FOLDER.match(path.parent.name)
    number = re.search(r"(?<!\d)(\d{4})\D*$", path.stem) or re.search(r"(\d{4})$", path.stem)
    return Place(
        folder=int(folder[1]) if folder else None,
        number=int(number[1]) if number else None,
        name=(str(path.parent), natural(path.name)),
    )


def body_of(path: Path, camera: CameraData) -> str:
    """Identifies the camera of a frame: by the serial number, otherwise by model, letters of the name, and folder."""
    if camera.body_serial:
        return f"{camera.model or camera.make or ''} {camera.body_serial}".strip()
    root = path.parent.parent if DCF_FOLDER.match(path.parent.name) else path.parent
    letters = re.match(r"\D*", path.stem)
    prefix = letters[0].strip("_- ") if letters else ""
    return (
        f"{camera.model or camera.make or 'a camera that is not named'} ({prefix or path.suffix}) in {root}"
    )


def seconds_of(camera: CameraData) -> tuple[float | None, float]:
    """Time of exposure in seconds by the camera's own clock, and that clock's resolution."""
    if camera.date_time is None:
        return None, 1.0
    moment = camera.date_time.replace(tzinfo=UTC) - datetime(2000, 1, 1, tzinfo=UTC)
    if camera.offset is not None:
        moment -= camera.offset
    return moment.total_seconds() + (camera.subsec or 0.0), 1.0 if camera.subsec is None else 0.01


def in_order(
    items: Sequence[T], place: Callable[[T], Place], clock: Callable[[T], tuple[float | None, float]]
) -> list[T]:
    """The frames of one camera in the order in which they were taken."""
    counted = _by_number(items, place)
    times = [clock(item)[0] for item in counted]
    known = [t for t in times if t is not None]
    if len(known) < len(times) or len(set(known)) < 2:
        return counted
    backwards = sum(b < a - 1.0 for a, b in pairwise(known))
    if _all_numbered(items, place) and backwards <= max(1, NUMBERS_TRUSTED * len(items)):
        return counted
    rank = {id(item): k for k, item in enumerate(counted)}
    return sorted(counted, key=lambda item: (clock(item)[0] or 0.0, rank[id(item)]))


def _all_numbered(items: Sequence[T], place: Callable[[T], Place]) -> bool:
    numbers = [(p.folder, p.number) for p in map(place, items)]
    return all(n is not None for _, n in numbers) and len(set(numbers)) == len(numbers)


def _by_number(items: Sequence[T], place: Callable[[T], Place]) -> list[T]:
    """By folder and number, past the start of counting where it started again within a folder; else by name."""
    folders = {place(item).folder for item in items}
    starts = {
        f: _start(sorted({p.number for p in map(place, items) if p.folder == f and p.number is not None}))
        for f in folders
    }

    def key(item: T) -> tuple[object, ...]:
        at = place(item)
        if at.number is None:
            return (at.folder or 0, 1, 0, at.name)
        return (at.folder or 0, 0, (at.number - starts[at.folder]) % WRAP, at.name)

    return sorted(items, key=key)


def _start(numbers: Sequence[int]) -> int:
    """The number that counting began with: behind the widest hole, where both ends of the range are there."""
    if not numbers or numbers[0] >= 1000 or numbers[-1] <= 9000:
        return 0
    hole, behind = max((b - a, b) for a, b in pairwise(numbers))
    return behind if hole > WRAP // 4 else 0
