"""How long work on a stack takes, and how it is cut into units of a few seconds.

Expected seconds are those of one worker with two threads that has its processors to itself, measured on twelve rendered
frames of 6 megapixels (``python -m tests.bench.units``). They need not be right: progress only compares them, and the
store learns how far they are off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from nearfar.frames.headers import FrameHeader
from nearfar.jobs import UnitKind, UnitPlan
from nearfar.merge.render import BLOCK

MOST_FRAMES = 8
"""Frames of one survey unit at most, so that a lost worker loses little."""
SURVEY_SECONDS = 4.0
"""Expected seconds of one survey unit at most, unless a single frame takes longer."""
RENDER_SECONDS = 0.5
"""Expected seconds of one render unit: 24 megapixels are four, so that several workers share the longest step."""
MOST_RENDERS = 8
"""Units that rendering is cut into at most: each opens all frames anew."""
LONGEST = 50.0
"""A unit may take this many times what is expected before it counts as stuck..."""
SHORTEST_LIMIT = 1800.0
"""...but never less than this many seconds."""

BYTES_A_PIXEL: Mapping[str, float] = {"jpeg": 0.5, "heif": 0.3, "png": 4.0, "tiff": 6.0, "raw": 1.3}
"""What a frame's file takes, where nothing but its size is known; common practice, no source."""
ENDINGS: Mapping[str, str] = {
    **dict.fromkeys((".jpg", ".jpeg", ".jpe"), "jpeg"),
    **dict.fromkeys((".heic", ".heif", ".hif"), "heif"),
    **dict.fromkeys((".tif", ".tiff"), "tiff"),
    ".png": "png",
}
SURVEY: Mapping[str, float] = {"jpeg": 0.005, "heif": 0.02, "png": 0.02, "tiff": 0.008, "raw": 0.06}
"""Seconds a megapixel and frame: decode, lay out, measure, digest. Those of HEIF and raw are guessed."""
REGISTER = 0.004
FOCUS = 0.0008
RENDER = 0.08
"""Seconds a megapixel of the picture; hardly more with more frames, as each place needs only a few."""
DELIVER = 0.055
OVERHEAD = 0.05
"""Seconds that any unit takes."""


@dataclass(frozen=True, kw_only=True)
class Extent:
    """What decides how long a stack takes: number of frames, megapixels of one, and the kind of their files."""

    frames: int
    megapixels: float
    kind: str

    @classmethod
    def of_files(cls, files: Sequence[tuple[str, int | None]]) -> Extent:
        """A guess from names and sizes in bytes alone."""
        kinds = [kind_of(name) for name, _ in files]
        kind = max(set(kinds), key=kinds.count) if kinds else "tiff"
        known = [size for _, size in files if size]
        mean = sum(known) / len(known) if known else 0.0
        return cls(frames=len(files), megapixels=mean / BYTES_A_PIXEL[kind] / 1e6, kind=kind)

    @classmethod
    def of_headers(cls, headers: Sequence[FrameHeader]) -> Extent:
        """From what the files say."""
        first = headers[0]
        kind = first.kind if first.kind in SURVEY else "raw"
        return cls(frames=len(headers), megapixels=first.width * first.height / 1e6, kind=kind)

    @property
    def survey_seconds(self) -> float:
        """Expected seconds of one frame's survey."""
        return self.megapixels * SURVEY[self.kind]

    def weights(self, surveys: int) -> dict[str, float]:
        """Expected seconds of each stage, by its name, with that many survey units."""
        one = self.megapixels
        seconds = {
            UnitKind.SURVEY: surveys * OVERHEAD + self.frames * self.survey_seconds,
            UnitKind.REGISTER: OVERHEAD + self.frames * one * REGISTER,
            UnitKind.FOCUS: OVERHEAD + self.frames * one * FOCUS,
            UnitKind.RENDER: OVERHEAD + one * RENDER,
            UnitKind.DELIVER: OVERHEAD + one * DELIVER,
        }
        return {str(kind): round(value, 3) for kind, value in seconds.items()}


def kind_of(name: str) -> str:
    """Kind of a file by the ending of its name."""
    return ENDINGS.get(Path(name).suffix.casefold(), "raw")


def limit_of(weight: float) -> float:
    """Seconds that one attempt at a unit may take."""
    return max(SHORTEST_LIMIT, LONGEST * weight)


def _unit(kind: UnitKind, start: int, stop: int, weight: float, memory: int = 0, disk: int = 0) -> UnitPlan:
    weight = round(max(weight, OVERHEAD), 3)
    return UnitPlan(
        kind=kind, start=start, stop=stop, weight=weight, memory=memory, disk=disk, limit=limit_of(weight)
    )


def first_units(files: Sequence[tuple[str, int | None]]) -> tuple[tuple[UnitPlan, ...], dict[str, float]]:
    """Units that a job begins with, and expected seconds of all stages, from names and sizes of its frames.

    What they need of memory is not known yet: whoever takes one finds out from the headers.
    """
    extent = Extent.of_files(files)
    seconds = [_seconds(name, size, extent) for name, size in files]
    surveys = [
        _unit(UnitKind.SURVEY, start, stop, OVERHEAD + sum(seconds[start:stop]))
        for start, stop in _batches(seconds)
    ]
    weights = extent.weights(len(surveys))
    later = [_unit(kind, 0, 1, weights[str(kind)]) for kind in (UnitKind.REGISTER, UnitKind.FOCUS)]
    return (*surveys, *later), weights


def _seconds(name: str, size: int | None, extent: Extent) -> float:
    if not size:
        return extent.survey_seconds
    kind = kind_of(name)
    return size / BYTES_A_PIXEL[kind] / 1e6 * SURVEY[kind]


def _batches(seconds: Sequence[float]) -> Iterable[tuple[int, int]]:
    """Ranges of consecutive frames."""
    start, spent = 0, 0.0
    for place, each in enumerate(seconds):
        if place > start and (place - start >= MOST_FRAMES or spent + each > SURVEY_SECONDS):
            yield start, place
            start, spent = place, 0.0
        spent += each
    if start < len(seconds):
        yield start, len(seconds)


def last_units(
    extent: Extent, size: tuple[int, int], *, memory: int, result: int
) -> tuple[tuple[UnitPlan, ...], dict[str, float]]:
    """Units of rendering and delivery of a picture, and expected seconds of all stages.

    Parameters
    ----------
    size
        Width and height of the picture, pixels.
    memory
        Bytes without which no worker can do them.
    result
        Bytes of all files of the result, at most.
    """
    bands = -(-size[1] // BLOCK)
    weights = extent.weights(len(range(0, extent.frames, MOST_FRAMES)))
    seconds = weights[str(UnitKind.RENDER)]
    count = max(1, min(bands, MOST_RENDERS, round(seconds / RENDER_SECONDS)))
    cuts = [bands * k // count for k in range(count + 1)]
    renders = [
        _unit(UnitKind.RENDER, a, b, seconds * (b - a) / bands, memory, result * (b - a) // bands)
        for a, b in pairwise(cuts)
    ]
    deliver = _unit(UnitKind.DELIVER, 0, 1, weights[str(UnitKind.DELIVER)], memory, 2 * result)
    return (*renders, deliver), weights
