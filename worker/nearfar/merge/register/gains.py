"""Brightness of the frames against each other, in linear light."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.grid_calls import squares

CELL = 64
"""Side of the cells whose light is compared, full-size px: wide against the change of blur between neighbours."""
_CLIPPED = 0.9
_DARK = 0.001
_AGREE = 0.05  # relative difference at which a cell counts half
_ROUNDS = 8
_ENOUGH = 6


def gain_between(
    first: NDArray[np.float32], second: NDArray[np.float32], matrix: NDArray[np.float64], reduction: int
) -> float | None:
    """log2 of how much brighter the second reduced picture is under ``matrix``; None where nothing can be compared.

    Blur keeps the sum of light, not its median: so light is summed over wide cells, and the ratio of sums taken over
    the cells that agree. Cells with clipped or missing light are left out while others are left.
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
    """Gain of each of ``count`` frames (EV, mean 0) from (first, second, EV) links, by least squares."""
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
