"""What a run of frames is: a stack, or frames of one view that are something else.

As for links, evidence is added as log-odds; each function names its reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.intake.card.evidence import Evidence, probability, ramp
from nearfar.intake.card.refocusing import NOISE
from nearfar.intake.card.series import Series
from nearfar.intake.card.sharpness import Patterns, sweep, traded

PRIOR = -0.3
"""Runs of frames of one view are stacks and other things in about equal number."""
FEW_DETAILS = 12.0
"""Blocks and octaves with detail below which patterns are weak evidence."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """How likely a run is a stack, why, and what it is if it is none."""

    log_odds: float
    why: str
    otherwise: str

    @property
    def chance(self) -> float:
        """Probability that it is a stack."""
        return probability(self.log_odds)


def judge(series: Series, run: Sequence[int]) -> Verdict:
    """Judge a run of at least two frames."""
    found = series.patterns(run)
    parts = [of_count(run), of_content(series, run), of_light(series, run), *of_camera(series, run)]
    if found is not None:
        still = ramp(_changed(series, run), (8, 1), (14, 0.3))
        told = of_patterns(found, len(run))
        parts += [replace(p, weight=p.weight * still) if p.weight > 0 else p for p in told]
    total = PRIOR + sum(p.weight for p in parts)
    told = sorted((p for p in parts if p.words), key=lambda p: -p.weight if total > 0 else p.weight)
    words = [p.words for p in told if (p.weight > 0) == (total > 0)]
    return Verdict(log_odds=total, why="; ".join(words[:3]), otherwise=_what_else(series, run, found))


def of_count(run: Sequence[int]) -> Evidence:
    """Two frames may be anything; many of one view in a row seldom are."""
    return Evidence(weight=ramp(len(run), (2, -3), (3, -0.4), (5, 0.3), (10, 0.8)))


def of_content(series: Series, run: Sequence[int]) -> Evidence:
    """In a stack the view stays and nothing moves.

    Measured from frame to frame: the share of structured blocks that moved is at most 0.0013 in rendered stacks with
    swaying leaves, 0.015 and more in bursts of a small animal before a still view; the colour of the most changed blocks
    changes by at most 7 of 255 in stacks, by 14.7 and more in those bursts.
    """
    steps = [series.likeness(a, b) for a, b in pairwise(run)]
    moved, same = float(np.mean([s.moved for s in steps])), float(np.mean([s.same for s in steps]))
    weight = ramp(moved, (0.003, 0.2), (0.006, -0.5), (0.013, -2.5), (0.03, -5), (0.06, -7))
    weight += ramp(_changed(series, run), (5, 0.2), (8, -0.6), (12, -3), (20, -5))
    weight += ramp(same, (0.85, -3), (0.95, 0), (0.98, 0.4))
    return Evidence(
        weight=weight, words="the view stays the same" if weight > 0 else "something moves in the view"
    )


def _changed(series: Series, run: Sequence[int]) -> float:
    """Mean change of the most changed blocks; what moves through the picture also moves what is sharp."""
    return float(np.mean([series.likeness(a, b).changed for a, b in pairwise(run)]))


def of_light(series: Series, run: Sequence[int]) -> Evidence:
    """Brightness that steps up and down: exposures, not focus."""
    gains = np.cumsum([0.0, *(series.likeness(a, b).gain_ev for a, b in pairwise(run))])
    weight = ramp(float(np.std(gains)), (0.15, 0.1), (0.4, -1), (0.8, -3))
    return Evidence(weight=weight, words="the brightness changes" if weight < -0.4 else "")


def of_camera(series: Series, run: Sequence[int]) -> list[Evidence]:
    """What the camera says of bracket and distance."""
    cameras = [series.exposures[k].found.camera for k in run]
    found = []
    if all(c.bracket == "focus" for c in cameras):
        found.append(Evidence(weight=5.0, words="the camera calls it a focus bracket"))
    distances = [c.focus_distance or c.subject_distance for c in cameras]
    known = [d for d in distances if d is not None]
    if len(known) == len(run) and len(run) > 2:
        steps = [b - a for a, b in pairwise(known)]
        one_way = all(s >= 0 for s in steps) or all(s <= 0 for s in steps)
        if one_way and len(set(known)) >= max(3, len(run) // 3):
            found.append(Evidence(weight=3.5, words="the distance that the camera notes changes steadily"))
        elif len(set(known)) == 1 and len(run) > 3:
            found.append(Evidence(weight=-1.0, words="the distance that the camera notes stays the same"))
    return found


def of_patterns(found: Patterns, n: int) -> list[Evidence]:
    """How far, and how steadily, sharpness wanders through the picture."""
    trust = min(1.0, found.detail / FEW_DETAILS)
    told = sweep(found.apart)
    size = ramp(
        math.log2(max(told.amplitude, 1e-3) / NOISE), (0.2, -3), (1, -0.8), (1.6, 0.8), (2.6, 2.5), (3.6, 3.5)
    )
    words = "what is sharp wanders through the picture" if size > 0 else "what is sharp stays the same"
    both = ramp(traded(found.logs), (0.05, -1.2), (0.15, -0.3), (0.35, 0.5), (0.7, 1))
    parts = [
        Evidence(weight=size * trust, words=words),
        Evidence(weight=both * trust, words="some places gain what others lose" if both > 0 else ""),
    ]
    if n > 2:
        share, count = betweenness(found.apart)
        weight = 0.6 * count * (share * math.log(0.95 / 0.5) + (1 - share) * math.log(0.05 / 0.5))
        words = "steadily from frame to frame" if weight > 0 else "in no order"
        parts.append(Evidence(weight=max(-3.0, min(3.0, weight)) * trust, words=words))
    if n > 3:
        weight = ramp(math.log2(max(told.growth, 0.5)), (0, -2), (1, 0), (2.5, 1.5))
        parts.append(Evidence(weight=weight * trust))
    return parts


def betweenness(apart: NDArray[np.float64]) -> tuple[float, int]:
    """Share of frames that lie between their neighbours in pattern, and how many could be judged.

    Chance alone gives a third, a random walk often more; a sweep nearly all.
    """
    judged = between = 0
    for k in range(1, len(apart) - 1):
        across, one, two = apart[k - 1, k + 1], apart[k - 1, k], apart[k, k + 1]
        if max(across, one, two) > 1.2 * NOISE:
            judged += 1
            between += bool(across > max(one, two))
    return (between / judged if judged else 0.5), judged


def _what_else(series: Series, run: Sequence[int], found: Patterns | None) -> str:
    """What a run is called that is no stack."""
    steps = [series.likeness(a, b) for a, b in pairwise(run)]
    if len(run) > 2 and all((series.panned(a, b) or 0.0) > 0.3 for a, b in pairwise(run)):
        return f"one of {len(run)} frames side by side (a panorama), not a stack"
    if float(np.mean([s.moved for s in steps])) > 0.01 or float(np.mean([s.same for s in steps])) < 0.9:
        return f"one of {len(run)} frames of something that moves, not a stack"
    gains = np.cumsum([0.0, *(s.gain_ev for s in steps)])
    if float(np.std(gains)) > 0.4:
        return f"one of {len(run)} frames of one view in different exposures, not a stack"
    return f"one of {len(run)} frames of one view in the same focus, not a stack"
