"""Exposure brackets: neighbours of one view whose exposures are all different and evenly spaced."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.intake.card import evidence
from nearfar.intake.card.series import SLACK, Series, alike, same_settings

Matrix = NDArray[np.float64]


def exposure_brackets(series: Series, good: Sequence[int]) -> list[tuple[int, ...]]:
    """Groups of 9, 7, 5 or 3 neighbours of one view whose exposures are all different and evenly spaced."""
    found: list[tuple[int, ...]] = []
    at = 0
    while at < len(good):
        size = next((m for m in (9, 7, 5, 3) if _is_bracket(series, good, at, m)), 1)
        if size > 1:
            found.append(tuple(good[at : at + size]))
        at += size
    return found


def _is_bracket(series: Series, good: Sequence[int], at: int, size: int) -> bool:
    group = good[at : at + size]
    if len(group) < size or not all(alike(series, a, b) for a, b in pairwise(group)):
        return False
    if (
        not _in_one_go(series, group)
        or _goes_on(series, good, at + size - 1, 1)
        or _goes_on(series, good, at, -1)
    ):
        return False
    steps = [evidence.exposure_step(series.exposures[a], series.exposures[b]) for a, b in pairwise(group)]
    seen = np.cumsum([0.0, *(series.likeness(a, b).gain_ev for a, b in pairwise(group))])
    told = [s for s in steps if s is not None]
    if len(told) < size - 1:
        return _evenly_spaced(seen, 0.4)
    known = np.cumsum([0.0, *told])
    if not _evenly_spaced(known, 0.25):
        return False
    follows = float(np.corrcoef(known, seen)[0, 1]) if float(np.std(seen)) > 0.05 else 0.0
    return follows > 0.8


def _in_one_go(series: Series, group: Sequence[int]) -> bool:
    """Whether no pause within a group is long beside the others."""
    pauses = [p for p in (series.pause(a, b) for a, b in pairwise(group)) if p is not None]
    slack = SLACK + series.exposures[group[0]].resolution
    return not pauses or max(pauses) + slack < 4 * (min(pauses) + slack)


def _goes_on(series: Series, good: Sequence[int], end: int, step: int) -> bool:
    """Whether at least two frames outside a group go on with the exposure of its end, as soon: then that one is theirs."""
    outside = [good[k] for k in (end + step, end + 2 * step) if 0 <= k < len(good)]
    agree = len(outside) == 2 and all(
        alike(series, good[end], k)
        and same_settings(series, good[end], k)
        and abs(series.likeness(good[end], k).gain_ev) < 0.3
        for k in outside
    )
    if not agree:
        return False
    away = series.pause(*sorted((good[end], outside[0])))
    within = series.pause(*sorted((good[end], good[end - step])))
    slack = SLACK + series.exposures[good[end]].resolution
    return away is None or within is None or away < 2 * within + slack


def _evenly_spaced(levels: Matrix, tolerance: float) -> bool:
    steps = np.diff(np.sort(levels))
    return bool(steps.min() > 0.45 and steps.max() < steps.min() * (1 + tolerance) + 0.2)
