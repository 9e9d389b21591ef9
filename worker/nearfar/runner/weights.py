"""How long work on a stack takes, and how it is cut into units of a few seconds.

Expected seconds are those of one worker with two threads that has its processors to itself, measured on twelve rendered
frames of 6 megapixels (``python -m tests.bench.units``). They need not be right: progress only compares them, and the
store learns how far they are off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import ceil
from pathlib import Path

from nearfar.frames.headers import FrameHeader
from nearfar.jobs import Attempt, Unit, UnitKind, UnitPlan

MOST_FRAMES = 8
"""Frames of one survey unit at most, so that a lost worker loses little."""
SURVEY_SECONDS = 1.0
"""Expected seconds of one survey unit at most, unless a single frame takes longer."""
ONE_SURVEY = 0.15
"""Expected seconds below which a survey is one unit; above, two workers have as much to do each."""
RENDER_SECONDS = 0.2
"""Expected seconds of one render unit, so that several workers share the longest step."""
HELP_SECONDS = 0.1
"""Expected seconds of registration for which one more worker helps..."""
MOST_HELPERS = 3
"""...up to so many: each does a part of what cannot be shared again."""
LEAST_HELPED: Mapping[UnitKind, float] = {UnitKind.FOCUS: 0.02, UnitKind.DELIVER: 0.1}
"""Expected seconds beyond which one more worker helps to find the focus, and to deliver."""
MOST_RENDERS = 8
"""Units that rendering is cut into at most: each opens all frames again."""
LONGEST = 50.0
"""A unit may take this many times what is expected before it counts as stuck..."""
SHORTEST_LIMIT = 1800.0
"""...but never less than this many seconds."""

BYTES_A_PIXEL: Mapping[str, float] = {"jpeg": 0.5, "heif": 0.3, "png": 4.0, "tiff": 6.0, "raw": 1.3}
"""What a frame's file takes, if nothing but its size is known; common practice, no source."""
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
    """Ranges of consecutive frames: an even number of about the same length, if one would take long."""
    count, whole = len(seconds), sum(seconds)
    cuts = max(-(-count // MOST_FRAMES), ceil(whole / SURVEY_SECONDS), 2 if whole > ONE_SURVEY else 1)
    cuts = min(count, cuts + cuts % 2 if cuts > 1 else 1)
    edges = [count * k // cuts for k in range(cuts + 1)] if count else [0]
    sizes = sorted((b - a for a, b in pairwise(edges)), reverse=True)  # the longest first: all end together
    yield from pairwise(accumulate(sizes, initial=0))


def helpers(extent: Extent, others: int, *, memory: int) -> tuple[UnitPlan, ...]:
    """Units that help to register, if so many other workers are there. Whoever finds nothing to do is done at once."""
    wanted = int(extent.weights(1)[str(UnitKind.REGISTER)] / HELP_SECONDS)
    count = max(0, min(wanted, MOST_HELPERS, others))
    made = (_unit(UnitKind.REGISTER, k, k + 1, OVERHEAD, memory) for k in range(1, count + 1))
    return tuple(made)


def last_units(
    extent: Extent, *, memory: int, result: int, others: int = 0
) -> tuple[tuple[UnitPlan, ...], dict[str, float]]:
    """Units of delivery and of help, known once a stack is registered, and expected seconds of all stages.

    Parameters
    ----------
    memory
        Bytes without which no worker can do them.
    result
        Bytes of all files of the result, at most.
    others
        Other workers: if there are any, one helps to find the focus and one to deliver, where that takes long.
    """
    weights = extent.weights(len(range(0, extent.frames, MOST_FRAMES)))
    helped = [
        kind
        for kind in (UnitKind.FOCUS, UnitKind.DELIVER)
        if others > 0 and weights[str(kind)] - OVERHEAD > LEAST_HELPED[kind]
    ]
    deliver = _unit(UnitKind.DELIVER, 0, 1, weights[str(UnitKind.DELIVER)], memory, 2 * result)
    help_ = [_unit(k, 1, 2, OVERHEAD, memory, result if k is UnitKind.DELIVER else 0) for k in helped]
    return (deliver, *help_), weights


def render_units(extent: Extent, costs: Sequence[float], *, memory: int, result: int) -> tuple[UnitPlan, ...]:
    """Units of rendering, known once the focus is: the dearest first, so that all workers end together.

    Parameters
    ----------
    costs
        What each band of the picture costs, from the top, each in proportion to the others.
    memory, result
        As of `last_units`.
    """
    bands, whole = len(costs), max(sum(costs), 1e-9)
    seconds = extent.weights(1)[str(UnitKind.RENDER)]
    count = round(seconds / RENDER_SECONDS)
    count = max(1, min(bands, MOST_RENDERS, count + count % 2 if count > 1 else 1))
    cuts = [round(bands * k / count) for k in range(count + 1)]
    ranges = sorted(pairwise(cuts), key=lambda r: (-sum(costs[r[0] : r[1]]), r))
    return tuple(
        _unit(UnitKind.RENDER, a, b, seconds * sum(costs[a:b]) / whole, memory, result * (b - a) // bands)
        for a, b in ranges
    )


def seconds_so_far(units: Sequence[Unit], attempts: Sequence[Attempt]) -> dict[str, float]:
    """Seconds that these units took, by their step."""
    kinds = {unit.id: str(unit.kind) for unit in units}
    seconds: dict[str, float] = {}
    for attempt in attempts:
        if attempt.unit in kinds and attempt.seconds is not None:
            kind = kinds[attempt.unit]
            seconds[kind] = seconds.get(kind, 0.0) + attempt.seconds
    return seconds
