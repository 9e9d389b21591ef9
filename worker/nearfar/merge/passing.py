"""Light that passes: out of focus a highlight is a disk whose rim is sharp in every frame, and the disk grows.

A place keeps its brightness about the frame that has it in focus, since blur before and behind is alike. Under a rim that
passes it becomes steadily brighter or darker. So of a frame's energy in a cell goes what such a change can account for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

STILL = np.float32(0.015)
"""Change of a cell's mean encoded luma, from the frame before to the one after, that tells nothing."""
WEIGHT = np.array([2, 4, 8], np.float32)
"""Energy of each band that a change beyond that accounts for, over its square. A rim of contrast C that moves by v pixels a
frame changes the mean of a cell of 16 pixels by C v / 8 and has a finest energy of about .1 C^2 / 16, .4 / v^2 times the
square of that, and two to three times as much in each coarser band. More than that, so that rims lose clearly."""
UNIT = np.float32(1 / 1000)
"""Changes are kept in these, up to 255 of them: more is as good as everything."""


def change(before: F32, after: F32) -> U8:
    """How much brighter or darker cells become between two frames, beyond `STILL`, in `UNIT`."""
    beyond = np.abs(after - before) - STILL
    return np.asarray(np.clip(beyond / UNIT + np.float32(0.5), 0, 255), np.uint8)


def change_at_end(one: F32, other: F32) -> U8:
    """The same for the first or the last frame: as if its brightness changed as much on the side that is missing."""
    return change(np.zeros_like(one), np.float32(2) * (other - one))


def remaining(energy: F32, changes: U8) -> F32:
    """Energies (3, R, C) less what changes (R, C) account for: e^3 / (e + account)^2, e where nothing changes."""
    if not changes.any():
        return energy
    beyond = changes.astype(np.float32) * UNIT
    account = WEIGHT[:, None, None] * (beyond * beyond)
    share = energy / (energy + (account + np.float32(1e-20)))
    return np.asarray(energy * (share * share), np.float32)
