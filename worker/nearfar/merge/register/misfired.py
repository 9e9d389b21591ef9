"""Frames that are much brighter or darker than those around them: a flash that did not fire, a lamp that went on.

Brought to the brightness of the others, such a frame has several times their noise, or clipped light. Amplified noise
looks like detail, so that the frame would be chosen nearly everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nearfar.merge.register.model import FramePose

APART_EV = 1.0
"""A frame is left out if its brightness differs by more than this from the frames around it (our own threshold): a stop
less light is up to twice the noise."""
AROUND = 4
"""Frames on each side that a frame is compared with; few, since light may drift through a long stack."""
MOST = 1 / 3
"""If more than this share of the frames differ, none is left out: the light was not meant to stay the same."""


def misfired_frames(frames: Sequence[FramePose]) -> dict[int, float]:
    """Places of the frames that are lit differently, and by how many EV each is brighter than those around it."""
    used = [k for k, f in enumerate(frames) if f.used]
    gains = np.array([frames[k].gain_ev for k in used])
    found = {}
    for at, place in enumerate(used):
        apart = float(gains[at] - np.median(gains[max(0, at - AROUND) : at + AROUND + 1]))
        if abs(apart) > APART_EV:
            found[place] = apart
    return found if len(found) <= MOST * len(used) else {}


def why(apart_ev: float) -> str:
    """The remark in the report."""
    than = "darker" if apart_ev < 0 else "brighter"
    return (
        f"{abs(apart_ev):.1f} EV {than} than the frames around it: a flash that did not fire, or another exposure; "
        "what it alone has sharp is missing"
    )
