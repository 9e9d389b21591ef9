"""Earlier versions of a result: each in a folder of its own, ``earlier/NUMBER``, beside the picture of today.

The first is the picture as it was merged, and is what every mend begins from; it stays as long as the result does.
A version holds the files that a mend changes: picture, report and preview, under the names that they have always had.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.merge.deliver.outputs import Outputs

EARLIER = "earlier"
FIRST = 1


@dataclass(frozen=True, kw_only=True)
class Version:
    """One delivered picture of a job."""

    number: int
    """From 1, in the order in which they were delivered."""
    created: float
    """Seconds since 1970."""
    mends: tuple[int, ...]
    """Numbers of the mends that it shows."""
    picture: Path

    @property
    def outputs(self) -> Outputs:
        """Its files."""
        return Outputs.beside(self.picture)


def read_report(path: Path) -> dict[str, Any]:
    """A report; empty if there is none that can be read."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def number_of(report: Mapping[str, Any]) -> int:
    """Number of the version that a report belongs to."""
    told = report.get("version")
    number = told.get("number") if isinstance(told, dict) else None
    return number if isinstance(number, int) and number > FIRST else FIRST


def folder_of(picture: Path, number: int) -> Path:
    """Where an earlier version lies, or would lie."""
    return picture.parent / EARLIER / str(number)


def first_picture(picture: Path) -> Path:
    """The picture before all mends; ``picture`` itself if it was never mended."""
    kept = folder_of(picture, FIRST) / picture.name
    return kept if kept.is_file() else picture


def current(picture: Path) -> Version:
    """The version that is delivered now. Raises `OSError` if there is none."""
    return _version(picture, number_of(read_report(Outputs.beside(picture).report)))


def earlier(picture: Path) -> tuple[Version, ...]:
    """The versions that are kept, oldest first."""
    found = []
    try:
        entries = list((picture.parent / EARLIER).iterdir())
    except OSError:
        return ()
    for entry in entries:
        kept = entry / picture.name
        if entry.name.isascii() and entry.name.isdecimal() and not entry.is_symlink() and kept.is_file():
            found.append(_version(kept, int(entry.name)))
    return tuple(sorted(found, key=lambda version: version.number))


def _version(picture: Path, number: int) -> Version:
    report = read_report(Outputs.beside(picture).report)
    told = report.get("mends")
    numbers = [m.get("number") for m in told if isinstance(m, dict)] if isinstance(told, list) else []
    return Version(
        number=number,
        created=picture.stat().st_mtime,
        mends=tuple(n for n in numbers if isinstance(n, int)),
        picture=picture,
    )
