"""Brightness of the frames against each other, in linear light."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.grid_calls import squares

CELL = 64
"""Side of the cells whose light is compared, full-size px: much wider than the blur changes between neighbours."""
_CLIPPED = 0.9  # linear light from which a cell may be clipped
_DARK = 0.001  # linear light below which noise decides the ratio
_AGREE = 0.05  # relative difference at which a cell counts half
_ROUNDS = 8  # of reweighting
_ENOUGH = 6  # cells without clipped light that do without the others


def gain_between(
    first: NDArray[np.float32], second: NDArray[np.float32], matrix: NDArray[np.float64], reduction: int
) -> float | None:
    """How much brighter the second picture is, EV; None if nothing can be compared.

    Blur preserves the sum of light but not its median, so light is summed over wide cells, and the ratio of sums taken over
    those cells that agree. Cells with clipped light are left out as long as enough others remain.

    Parameters
    ----------
    first, second
        Linear luma (h, w), reduced ``reduction`` times; white is 1.
    matrix
        (2, 3), from pixels of the first picture to pixels of the second.
    """
    n = max(min(CELL // reduction, min(first.shape) // 4), 1)
    found = squares(first, second, matrix, n)
    a, b = found.first / n**2, found.second / n**2
    whole = ~found.missing & (a > _DARK) & (b > _DARK)
    clear = whole & (found.top <= _CLIPPED)
    use = clear if int(clear.sum()) >= _ENOUGH else whole
    if not use.any():
        return None
    a, b = a[use], b[use]
    ratio = float(np.median(b / a))
    for _ in range(_ROUNDS):
        off = (b - ratio * a) / (b + ratio * a) * 2
        weight = 1 / (1 + (off / _AGREE) ** 2)
        ratio = float((weight @ b) / (weight @ a))
    return float(np.log2(ratio))


def solve_gains(count: int, links: Sequence[tuple[int, int, float]]) -> NDArray[np.float64]:
    """Gain of each of ``count`` frames, EV with mean 0, by least squares from links (first, second, EV between them)."""
    matrix, right = np.full((count, count), 1.0 / max(count, 1)), np.zeros(count)
    for i, j, gain in links:
        matrix[i, i] += 1
        matrix[j, j] += 1
        matrix[i, j] -= 1
        matrix[j, i] -= 1
        right[j] += gain
        right[i] -= gain
    matrix += 1e-9 * np.eye(count)
    solved = np.linalg.solve(matrix, right)
    return np.asarray(solved - solved.mean(), np.float64)
