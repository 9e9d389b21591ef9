"""From a camera's frames in order to runs: odd frames set aside, exposure brackets marked, links judged one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.intake import evidence, odd_frames
from nearfar.intake.evidence import Evidence, Link, Rhythm, ramp
from nearfar.intake.odd_frames import ALIKE, Odd
from nearfar.intake.series import Series

MOST_BETWEEN = 3
"""Odd frames in a row that a stack may go on behind."""
SLACK = 0.5
"""Seconds that pauses differ by for no reason: cameras hiccup while they write."""
NOISE = 0.06
"""Difference between patterns of two frames with the same focus (measured on rendered repeats: 0.03 to 0.1)."""
AHEAD = 12
"""Frames ahead that a place in the focus sweep is compared with."""
Matrix = NDArray[np.float64]


@dataclass(kw_only=True)
class Chain:
    """``good``: indices that may be in stacks, in order. ``odd``: what is wrong with the others. ``brackets``: groups of
    an exposure bracket. ``links``: between neighbours in ``good``, keyed by the first one's index. ``runs``: parts of
    ``good`` that hang together.
    """

    good: list[int] = field(default_factory=list)
    odd: dict[int, Odd] = field(default_factory=dict)
    brackets: list[tuple[int, ...]] = field(default_factory=list)
    links: dict[int, Link] = field(default_factory=dict)
    runs: list[list[int]] = field(default_factory=list)


def chain(series: Series) -> Chain:
    """Judge all links of one camera's frames."""
    found = Chain()
    _set_aside(series, found)
    found.good = [k for k in range(len(series)) if k not in found.odd]
    _set_aside_by_neighbours(series, found)
    found.good = [k for k in range(len(series)) if k not in found.odd]
    found.brackets = exposure_brackets(series, found.good)
    _link(series, found)
    return found


def _set_aside(series: Series, found: Chain) -> None:
    """Frames that show nothing, and those that show something else than what stands on both sides."""
    n = len(series)
    blanks = {k: odd for k in range(n) if (odd := odd_frames.blank(series.looks[k]))}
    for start, end in _stretches(sorted(blanks)):
        if end - start < MOST_BETWEEN and end - start + 1 < n and not _alike(series, start - 1, start):
            found.odd |= {k: blanks[k] for k in range(start, end + 1)}
    for k in range(n):
        if k not in found.odd:
            _set_aside_intruder(series, found, k)


def _stretches(indices: Sequence[int]) -> list[tuple[int, int]]:
    """First and last of each stretch of consecutive numbers."""
    found: list[tuple[int, int]] = []
    for k in indices:
        if found and k == found[-1][1] + 1:
            found[-1] = found[-1][0], k
        else:
            found.append((k, k))
    return found


def _alike(series: Series, one: int, other: int) -> bool:
    return min(one, other) >= 0 and series.likeness(one, other).same >= ALIKE


def _set_aside_intruder(series: Series, found: Chain, k: int) -> None:
    """One to three frames from ``k`` on, before and behind which the view is the same, or which hardly show anything."""
    before = _neighbour(found, k, -1, len(series))
    if before is None or series.likeness(before, k).same >= ALIKE:
        return
    for length in range(1, MOST_BETWEEN + 1):
        after = _neighbour(found, k + length - 1, 1, len(series))
        inside = [i for i in range(k, k + length) if i < len(series) and i not in found.odd]
        if after is None:
            return
        if any(series.likeness(i, after).same >= ALIKE for i in inside):
            continue
        softs = [
            odd_frames.softer_than_both(series.looks[i], series.looks[before], series.looks[after])
            for i in inside
        ]
        if series.likeness(before, after).same >= ALIKE or (all(softs) and length <= 2):
            for i in inside:
                found.odd[i] = odd_frames.unlike(series.looks[i], series.looks[before], series.looks[after])
            return


def _neighbour(found: Chain, k: int, step: int, n: int) -> int | None:
    k += step
    while 0 <= k < n and k in found.odd:
        k += step
    return k if 0 <= k < n else None


def _set_aside_by_neighbours(series: Series, found: Chain) -> None:
    """Frames that are off their neighbours in brightness, or shaken, within a view that stays the same."""
    good = found.good
    for a, k, b in zip(good, good[1:], good[2:], strict=False):
        if k in found.odd or a in found.odd or not (_alike(series, a, k) and _alike(series, k, b)):
            continue
        if _came_and_went(series, a, k, b):
            found.odd[k] = odd_frames.unlike(series.looks[k], series.looks[a], series.looks[b])
            continue
        if _same_settings(series, a, k) and _same_settings(series, k, b):
            one, two, across = series.likeness(a, k), series.likeness(k, b), series.likeness(a, b)
            odd = odd_frames.off_in_brightness(one, two, across)
            if odd:
                found.odd[k] = odd
    for view in _views(series, [k for k in good if k not in found.odd]):
        patterns = series.patterns(view) if len(view) >= 4 else None
        for at in range(1, len(view) - 1):
            odd = odd_frames.shaken(patterns, at) if patterns else None
            if odd and _in_rhythm(series, *view[at - 1 : at + 2]):
                found.odd[view[at]] = odd


def _in_rhythm(series: Series, a: int, k: int, b: int) -> bool:
    """Whether three frames were taken with the same settings and in one go: a try before a stack is no measure of it."""
    one, two = series.pause(a, k), series.pause(k, b)
    slack = SLACK + series.exposures[k].resolution
    steady = one is None or two is None or max(one, two) + slack < 3 * (min(one, two) + slack)
    return steady and _same_settings(series, a, k) and _same_settings(series, k, b)


def _came_and_went(series: Series, a: int, k: int, b: int) -> bool:
    """Whether part of a view changed for one frame and then was as before."""
    here = min(series.likeness(a, k).changed, series.likeness(k, b).changed)
    return here > 25 and series.likeness(a, b).changed < 0.4 * here


def _same_settings(series: Series, one: int, other: int) -> bool:
    step = evidence.exposure_step(series.exposures[one], series.exposures[other])
    return step is None or abs(step) < 0.2


def _views(series: Series, good: Sequence[int]) -> list[list[int]]:
    """Stretches in which each frame shows the view of the one before."""
    found: list[list[int]] = []
    for k in good:
        if found and _alike(series, found[-1][-1], k):
            found[-1].append(k)
        else:
            found.append([k])
    return found


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
    if len(group) < size or not all(_alike(series, a, b) for a, b in pairwise(group)):
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
    alike = len(outside) == 2 and all(
        _alike(series, good[end], k)
        and _same_settings(series, good[end], k)
        and abs(series.likeness(good[end], k).gain_ev) < 0.3
        for k in outside
    )
    if not alike:
        return False
    away = series.pause(*sorted((good[end], outside[0])))
    within = series.pause(*sorted((good[end], good[end - step])))
    slack = SLACK + series.exposures[good[end]].resolution
    return away is None or within is None or away < 2 * within + slack


def _evenly_spaced(levels: Matrix, tolerance: float) -> bool:
    steps = np.diff(np.sort(levels))
    return bool(steps.min() > 0.45 and steps.max() < steps.min() * (1 + tolerance) + 0.2)


def _link(series: Series, found: Chain) -> None:
    """Judge links view by view: all other evidence first, then whether the focus goes on or begins again."""
    bracketed = {k: group for group in found.brackets for k in group}
    found.runs = []
    for view in _loosely(series, found.good):
        patterns = series.patterns(view) if len(view) > 2 else None
        start = 0
        for p in range(len(view) - 1):
            a, b = view[p], view[p + 1]
            parts = other_evidence(series, found, a, b)
            if bracketed.get(a) != bracketed.get(b):
                parts.append(Evidence(weight=-6.0, words="an exposure bracket is no part of a stack"))
            if patterns is not None:
                parts.append(of_focus(patterns.apart, start, p))
            found.links[a] = evidence.added(*parts)
            if not found.links[a].together:
                found.runs.append(view[start : p + 1])
                start = p + 1
        found.runs.append(view[start:])
    found.runs = [part for run in found.runs for part in _trimmed(series, found, run)]
    for a, b in pairwise(found.good):
        if a not in found.links:
            found.links[a] = evidence.added(*other_evidence(series, found, a, b))


def _trimmed(series: Series, found: Chain, run: list[int]) -> list[list[int]]:
    """A run without the frames at its ends that were not taken in its rhythm: tries before, a look back after."""
    before: list[list[int]] = []
    after: list[list[int]] = []
    while len(run) > 3 and not _holds(series, found, run, 0):
        before.append(run[:1])
        run = run[1:]
    while len(run) > 3 and not _holds(series, found, run, len(run) - 2):
        after.insert(0, run[-1:])
        run = run[:-1]
    return [*before, run, *after]


def _holds(series: Series, found: Chain, run: Sequence[int], p: int) -> bool:
    """Whether the link at an end of a run still holds, measured by the run's own rhythm; the link is judged anew."""
    pauses = [_rhythm(series, a, b).pause for a, b in pairwise(run)]
    others = [q for k, q in enumerate(pauses) if q is not None and k != p]
    pause = pauses[p]
    if pause is None or not others:
        return True
    slack = SLACK + series.exposures[run[p]].resolution
    ratio = (pause + slack) / (float(np.median(others)) + slack)
    weight = ramp(float(np.log2(ratio)), (0.5, 0), (1, -0.8), (2, -2.5), (3, -4))
    link = found.links[run[p]]
    words = (f"a pause {ratio:.0f} times as long as the others of the stack",) if weight < -0.4 else ()
    total = link.log_odds + weight
    found.links[run[p]] = Link(log_odds=total, reasons=link.reasons if total >= 0 else words)
    return total >= 0


def _loosely(series: Series, good: Sequence[int]) -> list[list[int]]:
    """Stretches between neighbours that are surely apart by their looks."""
    found: list[list[int]] = []
    for k in good:
        if found and series.likeness(found[-1][-1], k).same >= 0.5:
            found[-1].append(k)
        else:
            found.append([k])
    return found


def other_evidence(series: Series, found: Chain, a: int, b: int) -> list[Evidence]:
    """All evidence on a link but the focus."""
    likeness = series.likeness(a, b)
    one, other = series.exposures[a], series.exposures[b]
    return [
        evidence.of_view(likeness),
        evidence.of_motion(likeness),
        evidence.of_settings(one, other, likeness.gain_ev),
        evidence.of_brightness(likeness.gain_ev, evidence.exposure_step(one, other)),
        evidence.of_numbers(one, other, seen_between=b - a - 1),
        evidence.of_camera_brackets(one, other),
        of_pauses(series, a, b),
        of_what_lies_between(series, found, a, b),
    ]


def _rhythm(series: Series, a: int, b: int) -> Rhythm:
    """The longest single pause between two frames, and three pauses on either side."""
    n = len(series)

    def pauses(first: int, last: int) -> list[float]:
        steps = [(k, k + 1) for k in range(max(first, 0), min(last, n - 1))]
        return [p for p in (series.pause(*s) for s in steps) if p is not None]

    exposure = series.exposures[a]
    between = pauses(a, b)
    slack = SLACK + exposure.resolution + 0.5 * min(exposure.found.camera.exposure_time or 0.0, 30.0)
    return Rhythm(
        pause=max(between) if between else None, before=pauses(a - 3, a), after=pauses(b, b + 3), slack=slack
    )


def of_pauses(series: Series, a: int, b: int) -> Evidence:
    """Evidence of the clock."""
    return evidence.of_rhythm(_rhythm(series, a, b))


def of_what_lies_between(series: Series, found: Chain, a: int, b: int) -> Evidence:
    """A divider separates, unless an automatic sequence ran on through it; other odd frames say less."""
    between = [found.odd[k] for k in range(a + 1, b) if k in found.odd]
    if not between:
        return Evidence(weight=0.0)
    covered = [odd for odd in between if odd.covers]
    weight = -4.0 if covered else (-1.5 if any(o.kind == "unlike" for o in between) else -0.2)
    rhythm = _rhythm(series, a, b)
    if rhythm.pause is not None and rhythm.before and rhythm.after:
        steps = [p for p in (series.pause(k, k + 1) for k in range(a, b)) if p is not None]
        usual = float(np.median([*rhythm.before, *rhythm.after]))
        if max(abs(s - usual) for s in steps) < 0.25 * usual + 0.3 * rhythm.slack:
            weight += 2.0
    words = covered[0].why if covered else between[0].why
    return Evidence(weight=weight, words=f"between them: {words}" if weight < -0.4 else "")


def of_focus(apart: Matrix, start: int, p: int) -> Evidence:
    """Whether frame p + 1 goes on where p left off in the sweep of focus, begins again, or turns back.

    ``apart`` is that of the whole view; the run so far began at ``start``.
    """
    end = min(len(apart), p + 2 + AHEAD)
    here = float(apart[p, p + 1])
    steps = [float(apart[k, k + 1]) for k in range(start, end - 1) if k != p]
    usual = max(float(np.median(steps)) if steps else NOISE, NOISE)
    jump = here / usual
    back = here / max(float(apart[start : p - 1, p + 1].min()), NOISE) if p - 1 > start else 0.0
    on = here / max(_nearest_ahead(apart, p, end), NOISE) if p + 3 < end else 0.0
    if here > 2 * NOISE and max(back, on) > 1.3 and jump > 1.4:
        weight = ramp(np.log2(min(max(back, on), 1.5 * jump)), (0.4, 0), (1, -2.5), (2, -5), (3, -6))
        words = "the focus begins again where it was before" if back >= on else "the focus is out of sequence"
        return Evidence(weight=weight, words=words)
    for weight, words in (_repeated(apart, start, p, end), _folded(apart, start, p, end)):
        if weight:
            return Evidence(weight=weight, words=words)
    steady = len(steps) > 1 and max(back, on) < 1.1 and jump < 1.8
    return Evidence(weight=1.0, words="the focus goes on steadily") if steady else Evidence(weight=0.0)


def _nearest_ahead(apart: Matrix, p: int, end: int) -> float:
    """The least difference of frame p from one further on that the frames in between lead to.

    Where the difference grows first, what comes nearer later is a second time through, not a place out of sequence.
    """
    ahead = apart[p, p + 1 : end]
    grown = np.flatnonzero(ahead > 1.05 * ahead[0])
    return float(ahead[: grown[0] if len(grown) else len(ahead)].min())


def _within(apart: Matrix, first: int, last: int) -> float:
    """Median difference between frames ``first`` to ``last``, both included."""
    rows, columns = np.triu_indices(last - first + 1, 1)
    return float(np.median(apart[first + rows, first + columns])) if len(rows) else 0.0


def _repeated(apart: Matrix, start: int, p: int, end: int) -> tuple[float, str]:
    """Weight where the frames behind ``p`` go through the patterns of the run once more, one by one.

    A place one or two frames off fits nearly as well; so it has to fit best here.
    """
    again, skipped = _again(apart, start, p, end)
    usual = _within(apart, start + skipped, p)
    if again is None or usual < 2 * NOISE:
        return 0.0, ""
    steps = float(np.median([apart[k, k + 1] for k in range(start + skipped, p)]))
    around = [
        _again(apart, start, q, len(apart))[0]
        for q in range(max(start + 2, p - 6), min(len(apart) - 3, p + 7))
    ]
    if again > 1.5 * steps + 0.5 * NOISE or any(other is not None and other < again for other in around):
        return 0.0, ""
    weight = ramp(again / usual, (0.4, -6), (0.6, -3), (0.8, 0))
    return weight, "the same sweep of focus is gone through once more"


def _again(apart: Matrix, start: int, p: int, end: int) -> tuple[float | None, int]:
    """Mean difference between the run's frames and those behind ``p``, one by one; None for fewer than three.

    A try or two before the run's own sweep are passed over, at a small price; how many is told as well.
    """
    found = []
    for skipped in range(3):
        length = min(p - start - skipped + 1, min(end, p + 2 + AHEAD) - p - 1)
        if length >= 3:
            pairs = [apart[start + skipped + i, p + 1 + i] for i in range(length)]
            found.append((float(np.mean(pairs)) + 0.01 * skipped, skipped))
    return min(found, default=(None, 0))


def _folded(apart: Matrix, start: int, p: int, end: int) -> tuple[float, str]:
    """Weight where frames before and behind mirror each other: the same pattern at p - r and p + 1 + r."""
    reach = min(p - start, end - p - 2)
    usual = min(_within(apart, p - reach, p), _within(apart, p + 1, p + 1 + reach)) if reach >= 3 else 0.0
    if usual < 3 * NOISE:
        return 0.0, ""
    mirrored = float(np.median([apart[p - r, p + 1 + r] for r in range(1, reach + 1)]))
    return ramp(mirrored / usual, (0.35, -5), (0.6, -1), (0.7, 0)), "the focus turns back"
