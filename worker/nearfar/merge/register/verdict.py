"""Which frames belong, how sure their poses are, and what the person should be told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.adjust import Adjusted
from nearfar.merge.register.bending import Corrected
from nearfar.merge.register.link import Link
from nearfar.merge.register.linking import CoarseLinks, components
from nearfar.merge.register.model import FramePose, FrameView
from nearfar.merge.register.tuning import Tuning

_AROUND = 4  # steps on each side that a step is compared with
_SAME = 0.003  # change of sharpness below which a frame repeats the one before, whatever its neighbours do
_DULL = 0.15  # structure against the median frame below which there is nothing to see
_GOOD_SIGMA = 0.1  # px: errors against the neighbours well below it cost no confidence
_GOOD_DRIFT = 0.6  # px: the same against the reference
_BUMP_STEPS = 6.0  # times the usual step from which a step is a knock ...
_BUMP_SHARE = 0.01  # ... and the least share of the picture's width that one moves by
_NAMED = 3  # frames that a sentence names
BANDED = (
    "rows of the frames are brighter and darker in bands, as lamps that pulse leave them: expose for a whole number of "
    "their periods, 1/50 or 1/60 s or longer"
)
_SCENE = 3  # frames that lie on each other are a scene of their own from this many on


def belonging(links: CoarseLinks, count: int, tuning: Tuning) -> list[list[int]]:
    """Frames that show the same scene, largest set first; frames that resemble nothing are in none."""
    like = [k for k in range(count) if links.likeness(k) >= tuning.belong_likeness]
    return components(like, links.held())


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_NAMED])
    return shown if len(names) <= _NAMED else f"{shown} and {len(names) - _NAMED} more"


def reason_left_out(
    place: int,
    parts: Sequence[Sequence[int]],
    chosen: Sequence[int],
    frames: Sequence[FrameView],
    links: CoarseLinks,
    tuning: Tuning,
) -> str:
    """Why a frame is not part of the picture."""
    usual = float(np.median([links.structure[k] for k in chosen]))
    if links.structure[place] < _DULL * usual:
        return "shows next to nothing: a covered lens, or no detail to hold on to"
    for part in parts:
        if place in part and len(part) > 1:
            others = [frames[k].name for k in part if k != place]
            return f"belongs with {_listed(others)}, which show another scene"
    return (
        f"does not resemble its neighbours: likeness {max(links.likeness(place), 0.0):.2f}, "
        f"{tuning.belong_likeness:.2f} is needed"
    )


def scenes_told(
    parts: Sequence[Sequence[int]], members: Sequence[int], frames: Sequence[FrameView]
) -> list[str]:
    """One sentence that names the other scenes, of which nothing is in the picture; none if there are none."""
    others = sorted(sorted(part) for part in parts if len(part) >= _SCENE and not set(part) & set(members))
    if not others:
        return []
    told = "; ".join(f"{len(o)} frames from {frames[o[0]].name} to {frames[o[-1]].name}" for o in others)
    scenes = "another scene" if len(others) == 1 else f"{len(others)} other scenes"
    what_to_do = (
        "give each its own folder, have 'nearfar sort' divide the frames, or put an empty file nearfar.card into their "
        "folder in the inbox"
    )
    return [f"{scenes} left out: {told}. One picture is made of one scene: {what_to_do}"]


def gaps_told(
    members: Sequence[int], frames: Sequence[FrameView], gaps: Sequence[tuple[int, int]]
) -> list[str]:
    """One sentence that names all neighbours of which nothing is sharp in both, run by run; none if there are none."""
    runs: list[list[int]] = []
    for i, j in sorted(g for g in gaps if set(g) <= set(members)):
        if runs and runs[-1][-1] == i:
            runs[-1].append(j)
        else:
            runs.append([i, j])
    if not runs:
        return []
    told = "; ".join(_all_of([frames[k].name for k in run]) for run in runs)
    each = "both" if max(map(len, runs)) == 2 else "two that follow each other"
    return [
        f"{told} show the same scene, but no detail is sharp in {each}: frames focused between them are missing"
    ]


def poses_told(
    poses: Sequence[FramePose],
    members: Sequence[int],
    frames: Sequence[FrameView],
    reference: int,
    corrected: Corrected,
    tuning: Tuning,
) -> list[str]:
    """What the person should know of the poses as a whole."""
    names = [f.name for f in frames]
    told = []
    far = [k for k, p in enumerate(poses) if p.used and p.drift > tuning.drift_limit]
    if far:
        worst = max(far, key=lambda k: poses[k].drift)
        told.append(
            f"{len(far)} of {len(members)} frames are placed against the reference {names[reference]} less surely "
            f"than {tuning.drift_limit:.2f} px; {names[worst]} is the worst, {poses[worst].drift:.2f} px"
        )
    if corrected.size and not corrected.bent:
        told.append(
            f"shift, scale and roll do not take {names[reference]} to {names[members[corrected.place]]}: "
            f"{corrected.size:.2f} px are left over, as a tilted camera or a lens that distorts leave them"
        )
    if corrected.left > tuning.field_limit:
        one, two = (names[members[k]] for k in corrected.worst)
        told.append(
            f"{one} and {two} cannot be brought to lie on each other everywhere: {corrected.left:.2f} px are left over "
            "in places, as a camera that moved sideways leaves them"
        )
    return told


def _all_of(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"


def link_sigma(place: int, links: Sequence[Link], adjusted: Adjusted) -> float:
    """RMS px by which a frame's place among its neighbours is uncertain."""
    total = 1e-6 * np.eye(4)
    for k, link in enumerate(links):
        if place in (link.first, link.second):
            total += adjusted.trust[k] * np.linalg.inv(adjusted.link_covariance[k])
    return float(np.sqrt(np.trace(np.linalg.inv(total))))


def drift_of(covariance: NDArray[np.float64]) -> float:
    """RMS px by which a frame's place against the reference is uncertain."""
    return float(np.sqrt(max(np.trace(covariance), 0.0)))


def confidence(likeness: float, sigma: float, drift: float, tuning: Tuning) -> float:
    """0..1: 1 where a frame resembles its neighbours fully and its place is known far better than a pixel."""
    alike = np.clip((likeness - tuning.link_likeness) / (0.9 - tuning.link_likeness), 0, 1)
    return float(alike / ((1 + (sigma / _GOOD_SIGMA) ** 2 / 4) * (1 + (drift / _GOOD_DRIFT) ** 2 / 4)))


def repeats(changes: Sequence[float], tuning: Tuning) -> list[int]:
    """Places whose next frame shows the same focus, from how much sharpness changes at each step."""
    found = []
    for k, change in enumerate(changes):
        near = [*changes[max(k - _AROUND, 0) : k], *changes[k + 1 : k + 1 + _AROUND]]
        usual = float(np.median(near)) if len(near) > 1 else 0.0
        if change < max(tuning.repeat * usual, _SAME):
            found.append(k)
    return found


def bumps(steps: NDArray[np.float64], width: int) -> list[int]:
    """Steps (px moved from a frame to the next) that stand out: the camera was knocked."""
    if len(steps) < 3:
        return []
    usual = float(np.median(steps))
    limit = max(_BUMP_STEPS * usual, _BUMP_SHARE * width)
    return [k for k in range(len(steps)) if steps[k] > limit]
