"""From what was found of a stack to its registration: a pose and a remark for each frame, and sentences about all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register import verdict
from nearfar.merge.register.adjust import Adjusted
from nearfar.merge.register.bending import Corrected
from nearfar.merge.register.gains import solve_gains
from nearfar.merge.register.link import Link
from nearfar.merge.register.linking import CoarseLinks
from nearfar.merge.register.model import Bent, FramePose, FrameView, Registration
from nearfar.merge.register.similarity import Similarity, centre_of, rounded, to_matrix
from nearfar.merge.register.tuning import Tuning


@dataclass(frozen=True, kw_only=True)
class Members:
    """The frames of a stack that are registered together."""

    frames: Sequence[FrameView]
    """All frames of the stack."""
    parts: Sequence[Sequence[int]]
    """Places of the frames that show one scene each, the largest set first."""
    places: Sequence[int]
    """Those of the members, ascending."""
    reference: int
    """That of the frame whose geometry the picture takes, a member."""

    @property
    def views(self) -> list[FrameView]:
        """The members alone."""
        return [self.frames[k] for k in self.places]

    @property
    def number(self) -> dict[int, int]:
        """From a place in the stack to that among the members."""
        return {place: number for number, place in enumerate(self.places)}


@dataclass(frozen=True, kw_only=True)
class Found:
    """What the steps of registration found of the members; places are those among the members but in ``coarse``."""

    coarse: CoarseLinks
    links: Sequence[Link]
    """That all poses were adjusted to."""
    adjusted: Adjusted
    corrected: Corrected
    repeats: Sequence[int]
    """Places whose next frame has the same focus."""


def registration_of(members: Members, found: Found, *, size: tuple[int, int], tuning: Tuning) -> Registration:
    """The registration of a stack; ``size``: width and height of a frame, px."""
    places, frames, corrected, coarse = members.places, members.frames, found.corrected, found.coarse
    poses = _poses(members, found, size, tuning)
    bent = None
    if corrected.bent:
        bent = Bent(
            size=round(corrected.size, 3), place=places[corrected.place], left=round(corrected.left, 3)
        )
    return Registration(
        reference=members.reference,
        frames=tuple(poses),
        warnings=(
            *verdict.scenes_told(members.parts, places, frames),
            *verdict.gaps_told(places, frames, coarse.gaps),
            *([verdict.BANDED] if coarse.banded else []),
            *verdict.poses_told(poses, places, frames, members.reference, corrected, tuning),
        ),
        bent=bent,
        banded=coarse.banded,
    )


def alone(size: tuple[int, int]) -> Registration:
    """That of a stack of one frame."""
    pose = to_matrix(Similarity(1 + 0j, 0j), centre_of(size))
    only = FramePose(
        used=True, why=None, pose=pose, gain_ev=0.0, confidence=1.0, likeness=1.0, sigma=0.0, drift=0.0
    )
    return Registration(reference=0, frames=(only,), warnings=())


def _poses(members: Members, found: Found, size: tuple[int, int], tuning: Tuning) -> list[FramePose]:
    """One for each frame of the stack."""
    number, gains, remarks = members.number, _gains(members, found.coarse), _remarks(members, found, size)
    repeated = {members.places[k + 1]: members.frames[members.places[k]].name for k in found.repeats}
    poses = []
    for k in range(len(members.frames)):
        alike = float(np.clip(found.coarse.likeness(k), 0, 1))
        if k not in number:
            why = verdict.reason_left_out(
                k, members.parts, members.places, members.frames, found.coarse, tuning
            )
            poses.append(_left_out(why, alike))
            continue
        m = number[k]
        sigma = verdict.link_sigma(m, found.links, found.adjusted)
        drift = verdict.drift_of(found.adjusted.covariance[m])
        poses.append(
            FramePose(
                used=True,
                why=remarks.get(k),
                pose=rounded(to_matrix(found.corrected.poses[m], centre_of(size))),
                gain_ev=round(float(gains[m]), 6),
                confidence=verdict.confidence(alike, sigma, drift, tuning),
                likeness=alike,
                sigma=sigma,
                drift=drift,
                repeats=repeated.get(k),
                bend=found.corrected.bends[m],
            )
        )
    return poses


def _gains(members: Members, coarse: CoarseLinks) -> NDArray[np.float64]:
    """EV of each member, with mean 0."""
    number = members.number
    between = [
        (number[i], number[j], g) for (i, j), g in sorted(coarse.gains.items()) if i in number and j in number
    ]
    return solve_gains(len(number), between)


def _remarks(members: Members, found: Found, size: tuple[int, int]) -> dict[int, str]:
    """Remarks on members that are used, by place in the stack."""
    places, frames, poses = members.places, members.frames, found.adjusted.poses
    steps = [b.after(a.inverse()) for a, b in pairwise(poses)]
    shifts = np.array([abs(s.t) for s in steps])
    remarks = {}
    for k in verdict.bumps(shifts, size[0]):
        before = frames[places[k]].name
        remarks[places[k + 1]] = f"the camera moved by {shifts[k]:.0f} px after {before}; used all the same"
    for k in found.repeats:
        text = f"repeats {frames[places[k]].name}; used all the same"
        said = remarks.get(places[k + 1])
        remarks[places[k + 1]] = f"{said}; {text}" if said else text
    return remarks


def _left_out(why: str, likeness: float) -> FramePose:
    """What is known of a frame that is no part of the picture."""
    return FramePose(
        used=False,
        why=why,
        pose=None,
        gain_ev=0.0,
        confidence=0.0,
        likeness=likeness,
        sigma=float("inf"),
        drift=float("inf"),
    )
