"""Which files of a folder are frames, and in what order they were taken.

Junk that systems and cameras leave behind is passed over and named; everything else that could be a picture is
taken, so that a damaged frame is noticed and not silently missed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from nearfar.errors import StackRefused, UsageError
from nearfar.frames.headers import FrameHeader

JUNK = (
    *(".*", "Thumbs.db", "ehthumbs.db", "desktop.ini", "@eaDir", "#recycle", "$RECYCLE.BIN"),
    *("*.part", "*.filepart", "*.crdownload", "*.tmp", "*.partial", "~*"),
)
"""Names that systems, sync clients and copy programs leave behind."""
PICTURES = {
    *(".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".heic", ".heif", ".hif"),
    *(".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".srf", ".sr2", ".raf", ".orf", ".rw2", ".pef"),
    *(".3fr", ".fff", ".iiq", ".mos", ".mef", ".mrw", ".erf", ".kdc", ".dcr", ".rwl", ".srw", ".x3f", ".raw"),
}
RAW = PICTURES - {".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".heic", ".heif", ".hif"}
DEVELOPED = {".jpg", ".jpeg", ".jpe", ".heic", ".heif", ".hif"}


@dataclass(frozen=True, kw_only=True)
class Listing:
    """Frames in natural order of their names, and what was passed over with the reason."""

    frames: tuple[Path, ...]
    passed_over: tuple[tuple[Path, str], ...]


def natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key in which 10 comes after 2 and letters compare without case, in one spelling of accents."""
    parts = re.split(r"(\d+)", unicodedata.normalize("NFC", name).casefold())
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)


def list_frames(paths: Iterable[Path]) -> Listing:
    """Frames among files and folders (not their sub-folders).

    A file that is named is always taken; in a folder, what has no ending of a picture is passed over. Where a raw
    file and a JPEG or HEIF of the same base name lie in one folder, they are one exposure: the raw file is taken.

    Raises
    ------
    UsageError
        If a path does not exist.
    StackRefused
        If no frame is left.
    """
    given = list(paths)
    frames: list[Path] = []
    passed: list[tuple[Path, str]] = []
    for path in given:
        if path.is_dir():
            for entry in sorted(path.iterdir(), key=lambda p: natural(p.name)):
                reason = why_not(entry)
                if reason is None:
                    frames.append(entry)
                else:
                    passed.append((entry, reason))
        elif path.exists() or path.is_symlink():
            frames.append(path)
        else:
            raise UsageError(f"{path}: there is no such file or folder; give frames, or a folder of frames")
    frames, twins = _without_twins(list(dict.fromkeys(frames)))
    if not frames:
        ways = ", ".join(str(p) for p in given)
        raise StackRefused(
            f"{ways}: no frames found ({len(passed)} other entries); expected at least one picture "
            "(JPEG, PNG, TIFF, HEIF or camera raw). Give the folder in which the frames of one stack lie."
        )
    return Listing(frames=tuple(frames), passed_over=(*passed, *twins))


def why_not(entry: Path) -> str | None:
    """Why an entry of a folder is not taken for a frame; None if it is."""
    if any(fnmatch(entry.name.casefold(), pattern.casefold()) for pattern in JUNK):
        return "left behind by a system or a copy program"
    if entry.is_dir():
        return "a sub-folder"
    if entry.suffix.casefold() not in PICTURES:
        return f"not a picture by its ending ({entry.suffix or 'none'})"
    return None


def _without_twins(frames: Sequence[Path]) -> tuple[list[Path], list[tuple[Path, str]]]:
    """Leave out the developed twin of a raw file."""
    raw = {(p.parent, p.stem.casefold()): p for p in frames if p.suffix.casefold() in RAW}
    kept: list[Path] = []
    twins: list[tuple[Path, str]] = []
    for path in frames:
        master = raw.get((path.parent, path.stem.casefold()))
        if master is not None and path.suffix.casefold() in DEVELOPED:
            twins.append((path, f"the same exposure as {master.name}, which is taken"))
        else:
            kept.append(path)
    return kept, twins


def in_sequence(headers: Sequence[FrameHeader]) -> list[FrameHeader]:
    """Frames in the order they were taken: by time where every frame tells one, ties and all else by name.

    The counter in names starts again after 9999, the clock does not; times without fractions leave ties, within
    which a name counts modulo that start.
    """
    times = [h.camera.taken() for h in headers]
    aware = {t.tzinfo is not None for t in times if t is not None}
    if any(t is None for t in times) or len(aware) > 1 or len(set(times)) < 2:
        return sorted(headers, key=lambda h: natural(h.path.name))
    rolled = _rolls_over([h.path.stem for h in headers])
    return sorted(
        headers, key=lambda h: (h.camera.taken(), _number(h.path.stem, rolled), natural(h.path.name))
    )


def _counter(stem: str) -> int | None:
    match = re.search(r"(\d{4})\D*$", stem)
    return int(match[1]) if match else None


def _rolls_over(stems: Sequence[str]) -> bool:
    numbers = [n for n in map(_counter, stems) if n is not None]
    return bool(numbers) and min(numbers) < 1000 and max(numbers) > 9000


def _number(stem: str, rolled: bool) -> int:
    number = _counter(stem)
    if number is None:
        return 0
    return number + 10_000 if rolled and number < 5000 else number
