"""Passing rims: out of focus a highlight is a disk that grows from frame to frame, and whose rim looks sharp in each.

Around the frame that has a place in focus its brightness hardly changes, since it is blurred alike before and behind. Under
a passing rim it becomes steadily brighter or darker. So the energy that such a change can explain is taken off a cell.

Rims of blown light, as of windows, are as sharp as what is in focus, wherever they are. A frame in which it spreads over a
cell comes in there only for its own sharpness, not because it is let in next to it or is beside the best one. Out of focus
blown light only ever covers more, so nothing is taken off the frame in which such a cell is darkest: in wide steps, and in
the first and last frame, brightness changes beside what is in focus, too.
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


class Darkest:
    """The frame in which each cell has least light, of those in or beside which any frame has blown light."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.light, self.second = (np.full(shape, np.inf, np.float32) for _ in range(2))
        self.frame = np.zeros(shape, np.int16)
        self.energy = np.zeros((3, *shape), np.float32)
        self.blown = np.zeros(shape, np.bool_)

    def look(self, index: int, energy: F32, light: F32, blown: NDArray[np.bool_]) -> None:
        """Take in a frame's energies (3, R, C), light and blown cells (R, C)."""
        darker = light < self.light
        np.minimum(self.second, np.where(darker, self.light, light), out=self.second)
        np.copyto(self.light, light, where=darker)
        np.copyto(self.frame, np.int16(index), where=darker)
        np.copyto(self.energy, energy, where=darker)
        self.blown |= blown

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Where light is blown, and that frame is darker than all others by more than `STILL`."""
        return np.asarray(self.blown & (self.second > self.light + STILL))
