"""Passing rims: out of focus a highlight is a disk that grows from frame to frame, and whose rim looks sharp in each.

Around the frame that has a place in focus its brightness hardly changes, since it is blurred alike before and behind. Under
a passing rim it becomes steadily brighter or darker. So the energy that such a change can explain is taken off a cell.

Rims of blown light, as of windows, are as sharp as what is in focus, wherever they are. A frame in which it spreads over a
cell, and that is not beside the best one, comes in there only for its own sharpness, not because it is let in next to it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

STILL = np.float32(0.015)
"""Change of a cell's mean encoded luma, from the frame before to the one after, up to which nothing is taken off."""
WEIGHT = np.array([2, 4, 8], np.float32)
"""Energy of each band that a change beyond that accounts for, over its square. A rim of contrast C that moves by v pixels a
frame changes the mean of a cell of 16 pixels by C v / 8 and has a finest energy of about .1 C^2 / 16, .4 / v^2 times the
square of that, and two to three times as much in each coarser band. More than that, so that rims lose clearly."""
UNIT = np.float32(1 / 1000)
"""Unit in which changes are stored, up to 255; beyond that nearly all energy is taken off anyway."""

VEIL = np.float32(0.05)
"""By so much encoded luma a cell with blown light is brighter than in its best frame, and that light spreads there out of
focus. Blur keeps the light of a place that is not blown; of one that is, it brings out what was cut off."""


def change(before: F32, after: F32) -> U8:
    """How much brighter or darker cells become between two frames, beyond `STILL`, in `UNIT`."""
    beyond = np.abs(after - before) - STILL
    return np.asarray(np.clip(beyond / UNIT + np.float32(0.5), 0, 255), np.uint8)


def change_at_end(one: F32, other: F32) -> U8:
    """The same for the first or last frame, as if its brightness changed by as much on the missing side."""
    return change(np.zeros_like(one), np.float32(2) * (other - one))


def remaining(energy: F32, changes: U8) -> F32:
    """Energies (3, R, C) reduced by what changes (R, C) explain: e^3 / (e + explained)^2, which is e without a change."""
    if not changes.any():
        return energy
    beyond = changes.astype(np.float32) * UNIT
    account = WEIGHT[:, None, None] * (beyond * beyond)
    share = energy / (energy + (account + np.float32(1e-20)))
    return np.asarray(energy * (share * share), np.float32)
