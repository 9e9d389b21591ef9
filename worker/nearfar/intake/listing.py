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
from itertools import pairwise
from pathlib import Path
from typing import Any

from nearfar.errors import FrameRefused, InputRefused, StackRefused
from nearfar.frames.decode import read_header
from nearfar.frames.headers import FrameHeader
from nearfar.frames.xmp import read_key

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
OUR_MARK = "Nearfar "
"""How the Exif tag Software begins in everything that Nearfar writes."""
REFUSALS_SHOWN = 5
ROLLED_BELOW = 5000
"""Where a stack's counter starts again, numbers below this are taken to come after those above."""


@dataclass(frozen=True, kw_only=True)
class Listing:
    """Frames in natural order of their names, and what was passed over with the reason."""

    frames: tuple[Path, ...]
    passed_over: tuple[tuple[Path, str], ...]


def natural(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key of a file name: 10 comes after 2, the ending counts last, letters compare without case, in one spelling."""
    stem, dot, ending = unicodedata.normalize("NFC", name).casefold().rpartition(".")
    parts = re.split(r"(\d+)", stem if dot else ending)
    key = tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)
    return key, ending if dot else ""


def list_frames(paths: Iterable[Path]) -> Listing:
    """Frames among files and folders (not their sub-folders), by name and place alone: no file is opened.

    A file that is named is always taken; in a folder, what has no ending of a picture is passed over. If a raw
    file and a JPEG or HEIF of the same base name lie in one folder, they are one exposure: the raw file is taken. A
    file that comes twice, by a link or in two spellings, is taken once.

    Raises
    ------
    InputRefused
        If a path does not exist or a folder cannot be read; `StackRefused` if no frame is left.
    """
    given = list(paths)
    frames: list[Path] = []
    passed: list[tuple[Path, str]] = []
    for path in given:
        if path.is_dir():
            for entry in _entries(path):
                reason = why_not(entry)
                if reason is None:
                    frames.append(entry)
                else:
                    passed.append((entry, reason))
        elif path.exists() or path.is_symlink():
            frames.append(path)
        else:
            raise InputRefused(f"{path}: there is no such file or folder; give frames, or a folder of frames")
    for select in (_without_twins, _once_each):
        frames, left = select(frames)
        passed += left
    if not frames:
        raise StackRefused(_nothing_found(given, passed))
    return Listing(frames=tuple(frames), passed_over=tuple(passed))


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir(), key=lambda p: natural(p.name))
    except OSError as error:
        raise InputRefused(
            f"{folder}: the folder cannot be read ({error.strerror}); change its permissions, or copy the frames"
        ) from error


def _nothing_found(given: Sequence[Path], passed: Sequence[tuple[Path, str]]) -> str:
    endings = sorted({p.suffix.casefold() or "without an ending" for p, _ in passed})
    count = "1 other entry" if len(passed) == 1 else f"{len(passed)} other entries"
    found = f"{count}: {', '.join(endings[:8])}" if passed else "nothing at all"
    return (
        f"{', '.join(str(p) for p in given)}: no frames found ({found}); expected at least one picture "
        "(JPEG, PNG, TIFF, HEIF or camera raw). Give the folder in which the frames of one stack lie."
    )


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """The frames of one stack in the order they were taken, and what was passed over with the reason."""

    headers: tuple[FrameHeader, ...]
    passed_over: tuple[tuple[Path, str], ...]


def made_by_nearfar(header: FrameHeader) -> bool:
    """Whether a picture is a result of ours, also after an editor saved it again, or one of those that lie beside it."""
    if (header.camera.software or "").startswith(OUR_MARK):
        return True
    return header.kind == "tiff" and read_key(header.path) is not None


def gather(paths: Iterable[Path], *, own: Sequence[Path] = ()) -> Gathered:
    """List the frames, read their headers, leave out results of ours, and put the rest in sequence.

    Parameters
    ----------
    paths
        Files and folders, as for `list_frames`.
    own
        Files that this run is about to write: results of an earlier run under these names are not worth a word.

    Raises
    ------
    FrameRefused, StackRefused
        If frames cannot be read (all of them are named, not only the first), two have the same name, or none is left.
    InputRefused
        As `list_frames`.
    """
    listing = list_frames(paths)
    headers: list[FrameHeader] = []
    passed = list(listing.passed_over)
    refused: list[FrameRefused] = []
    for path in listing.frames:
        try:
            header = read_header(path)
        except FrameRefused as error:
            refused.append(error)
            continue
        if not made_by_nearfar(header):
            headers.append(header)
        elif not any(path.samefile(p) for p in own if p.exists()):
            passed.append((path, "a result of Nearfar, not a frame"))
    if refused:
        raise _refusal(refused, len(listing.frames))
    if not headers:
        raise StackRefused("only results of Nearfar were found and no frames; give the folder of the frames")
    _check_names(headers)
    return Gathered(headers=tuple(in_sequence(headers)), passed_over=tuple(passed))


def too_few(count: int) -> StackRefused:
    """The error about so many frames, of which at least two are needed."""
    return StackRefused(
        f"found {count} frame{'' if count == 1 else 's'} to merge; expected at least two, each focused a little further. "
        "Give all frames of the stack."
    )


def _refusal(refused: Sequence[FrameRefused], count: int) -> FrameRefused | StackRefused:
    if len(refused) == 1:
        return refused[0]
    told = " | ".join(str(error) for error in refused[:REFUSALS_SHOWN])
    more = f" | and {len(refused) - REFUSALS_SHOWN} more" if len(refused) > REFUSALS_SHOWN else ""
    return StackRefused(f"{len(refused)} of {count} files cannot be used: {told}{more}")


def _check_names(headers: Sequence[FrameHeader]) -> None:
    """Refuse two frames of one name: the report and the map of frames tell frames by their names."""
    seen: dict[str, Path] = {}
    for header in headers:
        other = seen.setdefault(header.path.name, header.path)
        if other != header.path:
            raise StackRefused(
                f"found two frames called {header.path.name} ({other} and {header.path}); expected a name of its own "
                "for each frame. Rename one of them, or leave it out."
            )


def why_not(entry: Path) -> str | None:
    """Why an entry of a folder is not taken for a frame; None if it is."""
    if _is_junk(entry.name):
        return "left behind by a system or a copy program"
    if entry.is_dir():
        return "a sub-folder"
    return _why_not_ending(entry)


def frames_among(names: Iterable[str]) -> list[str]:
    """Which names are those of frames, as `list_frames` has it for files in one folder; in natural order."""
    paths = [Path(name) for name in sorted(names, key=natural)]
    kept = [path for path in paths if not _is_junk(path.name) and _why_not_ending(path) is None]
    return [path.name for path in _without_twins(kept)[0]]


def _is_junk(name: str) -> bool:
    return any(fnmatch(name.casefold(), pattern.casefold()) for pattern in JUNK)


def _why_not_ending(entry: Path) -> str | None:
    if entry.suffix.casefold() not in PICTURES:
        return f"not a picture by its ending ({entry.suffix or 'none'})"
    return None


def why_twin(master: Path) -> str:
    """Why a developed copy is not taken: the same words for all copies beside raw files of that kind."""
    return f"the same exposure as its raw file ({master.suffix}), which is taken"


def _without_twins(frames: Sequence[Path]) -> tuple[list[Path], list[tuple[Path, str]]]:
    """Leave out the developed twin of a raw file."""
    raw = {(p.parent, p.stem.casefold()): p for p in frames if p.suffix.casefold() in RAW}
    kept: list[Path] = []
    twins: list[tuple[Path, str]] = []
    for path in frames:
        master = raw.get((path.parent, path.stem.casefold()))
        if master is not None and path.suffix.casefold() in DEVELOPED:
            twins.append((path, why_twin(master)))
        else:
            kept.append(path)
    return kept, twins


def _once_each(frames: Sequence[Path]) -> tuple[list[Path], list[tuple[Path, str]]]:
    """Leave out what is the same file as one before; of a link and its target the target stays."""
    kept: dict[tuple[int, int] | Path, Path] = {}
    again: list[tuple[Path, str]] = []
    for path in sorted(frames, key=lambda p: p.is_symlink()):
        try:
            status = path.stat()
        except OSError:  # a link to nothing, or not ours to read: told when it is opened
            kept[path] = path
            continue
        first = kept.setdefault((status.st_dev, status.st_ino), path)
        if first is not path:
            again.append((path, f"the same file as {first.name}"))
    chosen = set(kept.values())
    return [p for p in dict.fromkeys(frames) if p in chosen], again


def in_sequence(headers: Sequence[FrameHeader]) -> list[FrameHeader]:
    """Frames in the order they were taken: by time if every frame tells one, ties and all else by name.

    The counter in names starts again after 9999, the clock does not. Times without fractions leave ties; within
    them, and if there are no times at all, a name counts on past that start.
    """
    rolled = _rolls_over([h.path.stem for h in headers])

    def by_name(header: FrameHeader) -> tuple[bool, Any]:
        return rolled and (_counter(header.path.stem) or 0) < ROLLED_BELOW, natural(header.path.name)

    times = [h.camera.taken() for h in headers]
    aware = {t.tzinfo is not None for t in times if t is not None}
    if any(t is None for t in times) or len(aware) > 1 or len(set(times)) < 2:
        return sorted(headers, key=by_name)
    return sorted(headers, key=lambda h: (h.camera.taken(), by_name(h)))


def _counter(stem: str) -> int | None:
    match = re.search(r"(?<!\d)(\d{4})\D*$", stem)
    return int(match[1]) if match else None


def _rolls_over(stems: Sequence[str]) -> bool:
    """Whether numbers of four digits run up to the end and start again: both ends are there, a wide hole between."""
    numbers = sorted({n for n in map(_counter, stems) if n is not None})
    if not numbers or numbers[0] >= 1000 or numbers[-1] <= 9000:
        return False
    return any(a < ROLLED_BELOW <= b and b - a > ROLLED_BELOW for a, b in pairwise(numbers))
