"""Evidence for and against two exposures being neighbours in one stack, in log-odds that add up.

Each function gives a weight (natural log-odds; positive: together) and, if it says anything, the reason in words.
Weights are capped: no single kind of evidence decides against all the others, save for what cannot be merged at all
(another size, another lens). As a guide: 1 is a hint (73 %), 3 is good evidence (95 %), 5 settles it (99 %).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from nearfar.intake.card.exposures import Exposure
from nearfar.intake.card.likeness import Likeness

PRIOR = 0.5
"""Most neighbours on a card are neighbours in something; a little more than even."""
CERTAIN = 8.0


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A weight, and what it is based on in words; ``words`` is empty if there is nothing to say."""

    weight: float
    words: str = ""


@dataclass(frozen=True, kw_only=True)
class Link:
    """Whether two exposures belong together, from the sum of all evidence."""

    log_odds: float
    reasons: tuple[str, ...]

    @property
    def together(self) -> bool:
        """Whether the evidence for it outweighs that against."""
        return self.log_odds >= 0

    @property
    def confidence(self) -> float:
        """How sure that verdict is, 0.5..1."""
        return probability(abs(self.log_odds))


def probability(log_odds: float) -> float:
    """Log-odds as a probability."""
    return 1 / (1 + math.exp(-max(-40.0, min(40.0, log_odds))))


def added(*evidence: Evidence) -> Link:
    """Add all evidence; reasons for the verdict come first, each side ordered by weight."""
    total = PRIOR + sum(e.weight for e in evidence)
    told = sorted((e for e in evidence if e.words), key=lambda e: -e.weight if total >= 0 else e.weight)
    winning = [e.words for e in told if (e.weight >= 0) == (total >= 0) and abs(e.weight) >= 0.4]
    return Link(log_odds=total, reasons=tuple(winning))


def ramp(value: float, *points: tuple[float, float]) -> float:
    """Linear interpolation through (value, weight) points in rising order, constant beyond the ends."""
    if value <= points[0][0]:
        return points[0][1]
    for (a, wa), (b, wb) in pairwise(points):
        if value <= b:
            return wa + (wb - wa) * (value - a) / (b - a)
    return points[-1][1]


def of_view(likeness: Likeness) -> Evidence:
    """The same view correlates above 0.9 whatever is in focus; two views of one place seldom reach 0.6."""
    weight = ramp(likeness.same, (0.45, -6), (0.7, -2.5), (0.85, 0), (0.95, 2), (0.99, 3))
    if likeness.recognised < 0.5 and likeness.structured > 0.1:
        weight = min(weight, ramp(likeness.recognised, (0.2, -4), (0.5, -0.5)))
    weight += ramp(likeness.shift, (0.025, 0), (0.05, -1), (0.09, -3))
    return Evidence(weight=weight, words="the view stays the same" if weight > 0 else "the view changes")


def of_motion(likeness: Likeness) -> Evidence:
    """Things that moved between two frames or came into view: none in a stack, some in a burst; wind moves leaves too."""
    weight = ramp(likeness.moved, (0.0, 0.2), (0.02, 0), (0.1, -1), (0.3, -2))
    weight = min(weight, ramp(likeness.changed, (12, 0.2), (25, -0.7), (50, -3), (90, -4.5)))
    return Evidence(weight=weight, words="something moves in it" if weight < -0.4 else "")


@dataclass(frozen=True, kw_only=True)
class Rhythm:
    """The pause between two exposures and the pauses before and after it, seconds; None if clocks say nothing."""

    pause: float | None
    before: Sequence[float]
    after: Sequence[float]
    slack: float
    """How far pauses may differ for no reason: clock reading, hiccups of the camera, and half the exposure."""


def of_rhythm(rhythm: Rhythm) -> Evidence:
    """A pause that is long beside its neighbours separates; what counts is the ratio, not the seconds.

    A stack at its end has a neighbour pause that belongs to something else, so the longer side is the measure; unless
    a side is regular: then a pause out of its rhythm is told whatever the other side does.
    """
    if rhythm.pause is None:
        return Evidence(weight=0.0)
    usual = [_median(side) for side in (rhythm.before, rhythm.after) if side]
    if not usual:
        return Evidence(weight=0.0)
    ratio = (rhythm.pause + rhythm.slack) / (max(usual) + rhythm.slack)
    for side in (rhythm.before, rhythm.after):
        if len(side) >= 3 and _regular(side, rhythm.slack):
            own = (rhythm.pause + rhythm.slack) / (_median(side) + rhythm.slack)
            ratio = max(ratio, own / 1.5)
    weight = ramp(math.log2(max(ratio, 1e-3)), (0.3, 0.6), (1, 0), (2, -1.5), (3, -3.2), (5, -4.5))
    if weight < -0.4:
        return Evidence(
            weight=weight, words=f"a pause of {_time(rhythm.pause)}, {ratio:.0f} times the usual one"
        )
    return Evidence(weight=weight, words="taken in one rhythm" if weight > 0.4 else "")


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return ordered[len(ordered) // 2] if len(ordered) % 2 else sum(ordered[len(ordered) // 2 - 1 :][:2]) / 2


def _regular(values: Sequence[float], slack: float) -> bool:
    return (max(values) + slack) / (min(values) + slack) < 2.5


def _time(seconds: float) -> str:
    if seconds < 10:
        return f"{seconds:.1f} s"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def exposure_value(exposure: Exposure) -> float | None:
    """Light that settings let in: log2 of time x ISO / N^2, as far as the file tells time and aperture."""
    camera = exposure.found.camera
    if not camera.exposure_time:
        return None
    aperture = camera.f_number or 1.0
    return math.log2(camera.exposure_time * (camera.iso or 100.0) / aperture**2)


def exposure_step(one: Exposure, other: Exposure) -> float | None:
    """Light of the second over the first in EV by their settings, or by their exposure bias if that alone differs."""
    a, b = exposure_value(one), exposure_value(other)
    step = None if a is None or b is None else b - a
    bias = one.found.camera.exposure_bias, other.found.camera.exposure_bias
    if bias[0] is not None and bias[1] is not None and (step is None or abs(step) < 0.2):
        return bias[1] - bias[0] if abs(bias[1] - bias[0]) > 0.2 else step
    return step


def of_settings(one: Exposure, other: Exposure, likeness: Likeness) -> Evidence:
    """Lens, focal length, aperture and exposure stay in a stack.

    An orientation tag that changes while the scene stays as it lies on the sensor is that of a camera which looks up or
    down. Some lenses tell a slightly other aperture or focal length as they focus; automatic exposure may follow the
    light by a third of a stop.
    """
    a, b = one.found.camera, other.found.camera
    weights = [(0.0, "")]
    if one.sizes and other.sizes and not one.sizes & other.sizes:
        weights.append((-CERTAIN, "another size of picture"))
    if a.lens and b.lens and a.lens != b.lens:
        weights.append((-CERTAIN, "another lens"))
    if a.focal_length and b.focal_length:
        off = abs(math.log(b.focal_length / a.focal_length))
        weights.append((ramp(off, (0.02, 0), (0.06, -1.5), (0.15, -5)), "another focal length"))
    if a.f_number and b.f_number:
        stops = abs(2 * math.log2(b.f_number / a.f_number))
        weights.append((ramp(stops, (0.15, 0), (0.4, -0.7), (0.9, -4)), "another aperture"))
    change = exposure_step(one, other)
    if change is not None:
        step = abs(change)
        follows = abs(likeness.gain_ev - change) < 0.5 * step
        weights.append((ramp(step, (0.15, 0), (0.4, -0.7), (0.9, -6 if follows else -2)), "another exposure"))
    if one.found.orientation != other.found.orientation:
        weights.append((ramp(likeness.same, (0.85, -1), (0.92, 0)), "the camera was turned"))
    worst = min(weights)
    return Evidence(
        weight=max(sum(w for w, _ in weights), -CERTAIN), words=worst[1] if worst[0] < -0.4 else ""
    )


def of_brightness(gain_ev: float, step: float | None) -> Evidence:
    """Brightness at equal settings is steady in a stack, within what lamps and flashes do.

    ``step``: change of the settings in EV; if they are not known, a jump is more likely another exposure.
    """
    if step is not None and abs(step) >= 0.2:
        return Evidence(weight=0.0)
    if step is None:
        weight = ramp(abs(gain_ev), (0.3, 0), (0.7, -2.5), (1.2, -5))
    else:
        weight = ramp(abs(gain_ev), (0.2, 0), (0.6, -1), (1.5, -2.5))
    return Evidence(weight=weight, words="the brightness jumps" if weight < -0.4 else "")


def of_numbers(one: Exposure, other: Exposure, *, seen_between: int = 0) -> Evidence:
    """Numbers missing in between, since frames were deleted or are elsewhere; weak evidence at most."""
    a, b = one.place.number, other.place.number
    if a is None or b is None:
        return Evidence(weight=0.0)
    missing = (b - a) % 9999 - 1 - seen_between
    if missing <= 0 or missing > 5000:
        return Evidence(weight=0.0)
    return Evidence(weight=-min(1.2, 0.4 * missing), words=f"{missing} numbers are missing between them")


def of_camera_brackets(one: Exposure, other: Exposure) -> Evidence:
    """What the camera recorded: a focus bracket continues, or its shots are counted from one again."""
    a, b = one.found.camera, other.found.camera
    if a.bracket == "exposure" or b.bracket == "exposure":
        return Evidence(weight=-3.0, words="the camera calls it an exposure bracket")
    if (a.bracket == "focus") != (b.bracket == "focus"):
        return Evidence(weight=-3.0, words="only one of them is of a focus bracket")
    if a.bracket == "focus" and a.shot is not None and b.shot is not None:
        if b.shot == a.shot + 1:
            return Evidence(weight=4.0, words="the camera counts them as shots of one focus bracket")
        if b.shot <= a.shot:
            return Evidence(weight=-6.0, words="the camera begins a new focus bracket")
    return Evidence(weight=0.0)
