"""Where the net pays: in cells whose admitted frames differ by more than noise, for there a choice can go wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.chooser.numbers import HALF_LUMA

F32 = NDArray[np.float32]
CELL = 8
"""Half-size places along the edge of a cell."""
SPREADS = {"learned": 1e-5, "careful": 1e-6}
"""Variance of luma among the frames that the rule weighs, less the noise, from which a cell is given to the net, by what
the recipe asks for."""
HARD = 3.0
"""So many times that variance, and a cell is hard: it is given to the larger net."""


def pays(score: F32, half_luma: F32, variance: F32, spread: float) -> NDArray[np.bool_]:
    """Whether each place (h, w) lies in a cell that is given to the net; never so where only one frame is admitted.

    Parameters
    ----------
    score
        (n, h, w), 0 or more: the rule's V before anything falls behind; its fourth power weighs the frames. Planes begin
        and end at cells.
    half_luma
        (n, h, w), 0..1, encoded.
    variance
        (h, w) noise of one channel of a frame, of encoded values.
    spread
        Variance of luma from which a cell is given to the net, see `SPREADS`.
    """
    total: F32 = np.zeros_like(variance)
    mean: F32 = np.zeros_like(variance)
    square: F32 = np.zeros_like(variance)
    for r, luma in zip(score, half_luma, strict=True):
        v = r * r
        v = v * v
        total, mean, square = total + v, mean + v * luma, square + v * luma * luma
    over = np.asarray(np.float32(1) / np.maximum(total, np.float32(1e-12)), np.float32)
    mean = np.asarray(mean * over, np.float32)
    apart = (square * over - mean * mean) - np.float32(HALF_LUMA) * variance
    rows = _added(apart.reshape(-1, CELL, apart.shape[1]))
    least = np.float32(CELL * CELL) * np.float32(spread)
    cells = _added(rows.reshape(len(rows), -1, CELL).transpose(0, 2, 1)) > least
    return np.asarray(cells.repeat(CELL, axis=0).repeat(CELL, axis=1))


def _added(parts: F32) -> F32:
    """Sum along the second axis, in order."""
    total = parts[:, 0]
    for k in range(1, parts.shape[1]):
        total = total + parts[:, k]
    return total
