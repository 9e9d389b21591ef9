"""What was planned against what was shot: which frames are missing, out of order, or one too many.

By the focus distances that cameras write, compared behind the lens, where steps are even; by number if there are
none, as with a rail or a microscope.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from nearfar import optics
from nearfar.bracket.model import Bracket
from nearfar.errors import UsageError
from nearfar.longest_run import longest_run

NEAR_ENOUGH = 0.75
"""Steps by which a frame may lie off and still stand for a planned one: cameras round their distances."""
ALIKE = 1e-9
"""Steps by which two frames may lie the other way round and still be at one place: rounding in what is computed."""


@dataclass(frozen=True, kw_only=True)
class Captured:
    """One frame as shot. ``distance``: mm from the sensor, as the camera wrote it; None if it wrote none."""

    name: str
    distance: float | None = None


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """``by``: whether distances or the number of frames were compared.

    ``missed``: numbers of planned frames that none stands for. ``extra``: names of frames beyond the plan or a second
    time if one was. ``disordered``: names of those that break the order of most. ``unknown``: names without a
    distance, where others have one. ``short``: how many frames are missing; all that can be told by number.
    """

    by: str
    planned: int
    captured: int
    missed: tuple[int, ...] = ()
    extra: tuple[str, ...] = ()
    disordered: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    short: int = 0

    @property
    def complete(self) -> bool:
        """Whether every planned frame is there, in order."""
        return not (self.missed or self.disordered or self.short)

    def to_json(self) -> dict[str, Any]:
        """As a JSON object."""
        return {"format": "nearfar-comparison/1", "complete": self.complete, **asdict(self)}


def compare(plan: Bracket, captured: Sequence[Captured]) -> Comparison:
    """Compare frames, in the order in which they were shot, with a plan.

    Distances are used if the plan is one for a focus ring and at least two frames, and half of all, carry one.
    """
    told = [c for c in captured if c.distance is not None]
    if plan.moves == "ring" and len(told) >= max(2, len(captured) / 2):
        return _by_distance(plan, captured)
    missing = max(0, plan.frames - len(captured))
    spare = tuple(c.name for c in captured[plan.frames :])
    return Comparison(by="number", planned=plan.frames, captured=len(captured), extra=spare, short=missing)


def _place(plan: Bracket, distance: float, first: float) -> float:
    """Where a focus distance lies among the planned frames, 0 for the first, in steps."""
    f = plan.asked.focal
    assert f is not None  # noqa: S101 - a plan for a ring has it
    try:
        u = optics.to_lens(distance, f)
    except UsageError:  # nearer than a thin lens can: the camera counts from elsewhere
        u = max(distance, 1.001 * f)
    step = plan.step if plan.step > 0 else 1.0
    return (first - optics.image_distance(u, f)) / step


def _by_distance(plan: Bracket, captured: Sequence[Captured]) -> Comparison:
    f = plan.asked.focal
    assert f is not None  # noqa: S101 - a plan for a ring has it
    first = optics.image_distance(plan.steps[0].distance, f)
    known = [(c, _place(plan, c.distance, first)) for c in captured if c.distance is not None]
    taken: set[int] = set()
    extra = []
    for frame, place in known:
        nearest = min(max(0, round(place)), plan.frames - 1)
        free = [k for k in (nearest, nearest - 1, nearest + 1) if 0 <= k < plan.frames and k not in taken]
        reach = [k for k in free if abs(place - k) <= NEAR_ENOUGH]
        if reach:
            taken.add(min(reach, key=lambda k: abs(place - k)))
        else:
            extra.append(frame.name)
    odd = _disordered([place for _, place in known])
    unknown = tuple(c.name for c in captured if c.distance is None)
    missed = [step.number for k, step in enumerate(plan.steps) if k not in taken]
    return Comparison(
        by="distance",
        planned=plan.frames,
        captured=len(captured),
        missed=tuple(missed),
        extra=tuple(extra),
        disordered=tuple(known[k][0].name for k in odd),
        unknown=unknown,
    )


def _disordered(places: Sequence[float]) -> list[int]:
    """Indices that do not belong to the longest run of places that only rises, or only falls."""
    rising, falling = (longest_run([sign * p for p in places], alike=ALIKE) for sign in (1, -1))
    kept = set(rising if len(rising) >= len(falling) else falling)
    return [k for k in range(len(places)) if k not in kept]


def told(plan: Bracket, found: Comparison) -> Iterator[str]:
    """A comparison in sentences, with what to do."""
    from nearfar.bracket.units import show_length

    yield f"{found.planned} frames were planned, {found.captured} were shot"
    if found.by == "number":
        if plan.moves == "ring":
            yield "the camera wrote no focus distances, so only the number of frames can be compared"
        if found.short:
            yield f"{found.short} frames are missing; shoot the bracket again, or continue from the last one"
    for number in found.missed:
        mark = plan.steps[number - 1].mark
        where = "" if mark is None else f", at {show_length(mark)} on the focus scale"
        yield f"frame {number} was missed{where}; shoot one more there"
    if found.disordered:
        yield f"out of order: {', '.join(found.disordered)}; put them where their distance belongs, or leave them out"
    if found.extra:
        yield f"more than planned: {', '.join(found.extra)}; they do no harm"
    if found.unknown:
        yield f"without a focus distance: {', '.join(found.unknown)}; they may stand for frames that seem missed"
    if found.complete:
        yield "nothing is missing"


def exif_distance(metres: float | None) -> float | None:
    """Millimetres from what Exif gives in metres; None for none."""
    return None if metres is None else (math.inf if math.isinf(metres) else 1000 * metres)
