"""From a camera's ordered frames to runs: odd frames set aside, exposure brackets marked, links judged one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from nearfar.intake.card import evidence, odd_frames
from nearfar.intake.card.evidence import Evidence, Link, Rhythm, ramp
from nearfar.intake.card.exposure_brackets import exposure_brackets
from nearfar.intake.card.odd_frames import Odd
from nearfar.intake.card.refocusing import of_focus
from nearfar.intake.card.series import ALIKE, SLACK, Series, alike, same_settings

MOST_BETWEEN = 3
"""The most odd frames in a row within a stack."""


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
    """Judge all links between one camera's frames."""
    found = Chain()
    _set_aside(series, found)
    found.good = [k for k in range(len(series)) if k not in found.odd]
    _set_aside_by_neighbours(series, found)
    found.good = [k for k in range(len(series)) if k not in found.odd]
    found.brackets = exposure_brackets(series, found.good)
    _link(series, found)
    return found


def _set_aside(series: Series, found: Chain) -> None:
    """Frames that show nothing, and frames that show something else than those on both sides."""
    n = len(series)
    blanks = {k: odd for k in range(n) if (odd := odd_frames.blank(series.looks[k]))}
    for start, end in _stretches(sorted(blanks)):
        goes_on = alike(series, start - 1, start) or (end + 1 < n and alike(series, end, end + 1))
        if end - start < MOST_BETWEEN and end - start + 1 < n and not goes_on:
            found.odd |= {k: blanks[k] for k in range(start, end + 1)}
    for k in range(n):
        if k not in found.odd:
            _set_aside_intruder(series, found, k)


def _stretches(indices: Sequence[int]) -> list[tuple[int, int]]:
    """First and last number of each run of consecutive numbers."""
    found: list[tuple[int, int]] = []
    for k in indices:
        if found and k == found[-1][1] + 1:
            found[-1] = found[-1][0], k
        else:
            found.append((k, k))
    return found


def _set_aside_intruder(series: Series, found: Chain, k: int) -> None:
    """One to three frames from ``k`` on that interrupt a view, or that hardly show anything."""
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
    """Frames within an unchanged view that differ from their neighbours in brightness, or are shaken."""
    good = found.good
    for a, k, b in zip(good, good[1:], good[2:], strict=False):
        if k in found.odd or a in found.odd or not (alike(series, a, k) and alike(series, k, b)):
            continue
        if _came_and_went(series, a, k, b):
            found.odd[k] = odd_frames.unlike(series.looks[k], series.looks[a], series.looks[b])
            continue
        if same_settings(series, a, k) and same_settings(series, k, b):
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
    """Whether three frames were taken in quick succession with the same settings, unlike a trial shot before a stack."""
    one, two = series.pause(a, k), series.pause(k, b)
    slack = SLACK + series.exposures[k].resolution
    steady = one is None or two is None or max(one, two) + slack < 3 * (min(one, two) + slack)
    return steady and same_settings(series, a, k) and same_settings(series, k, b)


def _came_and_went(series: Series, a: int, k: int, b: int) -> bool:
    """Whether part of a view changed for one frame only."""
    here = min(series.likeness(a, k).changed, series.likeness(k, b).changed)
    return here > 25 and series.likeness(a, b).changed < 0.4 * here


def _views(series: Series, good: Sequence[int]) -> list[list[int]]:
    """Runs in which each frame shows the same view as the one before."""
    found: list[list[int]] = []
    for k in good:
        if found and alike(series, found[-1][-1], k):
            found[-1].append(k)
        else:
            found.append([k])
    return found


def _link(series: Series, found: Chain) -> None:
    """Judge links view by view: all other evidence first, then whether focus continues or begins again."""
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
    """A run without frames at its ends that were not taken in its rhythm, such as trial shots."""
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
    """Whether the link at an end of a run still holds, measured by the run's own rhythm; the link is judged again."""
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
    """Runs that end where two neighbours clearly show different views."""
    found: list[list[int]] = []
    for k in good:
        if found and series.likeness(found[-1][-1], k).same >= 0.5:
            found[-1].append(k)
        else:
            found.append([k])
    return found


def other_evidence(series: Series, found: Chain, a: int, b: int) -> list[Evidence]:
    """All evidence on a link except focus."""
    likeness = series.likeness(a, b)
    one, other = series.exposures[a], series.exposures[b]
    return [
        evidence.of_view(likeness),
        evidence.of_motion(likeness),
        evidence.of_settings(one, other, likeness),
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
    """A divider separates, unless an automatic sequence continued through it; other odd frames are weaker evidence."""
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
