"""Frames that are less sharp everywhere than the frames before and after them: shaken, or knocked while exposed.

What lies between the focus of two frames is at least as sharp in the frame between them as in either. Where most of
what both neighbours have sharp is soft in it, the frame itself is blurred; or it stands at the wrong place, but then it
is the sharpest of all somewhere. A heuristic of our own.
"""

from __future__ import annotations

import numpy as np

from nearfar.merge.coverage.curves import SURE, Curves

BAND = 1
"""The second finest band: the finest is seldom clear of the noise in three frames in a row."""
LOST = 0.85
"""Median energy against the less sharp one of both neighbours below which the frame is blurred. On rendered stacks it is
above 1.1 where nothing is wrong, .7 with a shake over nine pixels and .2 over twenty-five."""
OWN = 0.3
"""Places where a frame is the sharpest, against what frames usually have, from which on it is not blurred."""
FEWEST = 20
"""Such places at least."""


def shaken_frames(curves: Curves) -> list[int]:
    """Frames that are blurred as a whole; ends cannot be told."""
    found = []
    energy, floor = curves.sample[:, BAND], curves.sample_floor[BAND]
    clear = energy.max(axis=0) > SURE * floor
    own = np.bincount(energy.argmax(axis=0)[clear], minlength=curves.frames)
    usual = OWN * float(np.median(own[own > 0])) if own.any() else 0.0
    for k in range(1, curves.frames - 1):
        beside = np.maximum(np.minimum(energy[k - 1], energy[k + 1]), np.float32(1e-20))
        sharp = beside > SURE * floor
        if np.count_nonzero(sharp) < FEWEST or own[k] > usual:
            continue
        if np.median((energy[k] / beside)[sharp]) < LOST:
            found.append(k)
    return found
