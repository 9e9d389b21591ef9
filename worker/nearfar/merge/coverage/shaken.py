"""Frames that are less sharp everywhere than the frames before and after them: shaken, or knocked while exposed.

What is sharp in two frames is at least as sharp in the frame focused between them. If most of it is soft there, that frame
is blurred as a whole, or it is out of order; but then it is the sharpest of all somewhere. A heuristic of our own.
"""

from __future__ import annotations

import numpy as np

from nearfar.merge.coverage.curves import SURE, Curves

BAND = 1
"""The second finest band: the finest is seldom clear of the noise in three frames in a row."""
LOST = 0.85
"""A frame is blurred if its median energy, relative to the less sharp of both neighbours, is below this. On rendered stacks
it is above 1.1 if nothing is wrong, .7 with a shake over nine pixels and .2 over twenty-five."""
OWN = 0.3
"""A frame is not blurred if it is the sharpest in at least this many places, relative to what frames usually have."""
FEWEST = 20
"""Least number of places to compare."""


def shaken_frames(curves: Curves) -> list[int]:
    """Places of frames that are blurred as a whole; the first and the last frame cannot be judged."""
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
