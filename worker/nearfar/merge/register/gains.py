"""Brightness of the frames against each other, in linear light."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import register_calls as kernel

_RANGES = ((0.02, 0.7), (0.002, 0.9))  # light in which samples are neither noise nor clipped; the second if need be
_ENOUGH = 50


def gain_between(
    first: NDArray[np.float32], second: NDArray[np.float32], matrix: NDArray[np.float64]
) -> float | None:
    """log2 of how much brighter the second reduced picture is under ``matrix``; None where nothing can be compared."""
    moved = kernel.warp(second, matrix, first.shape, -1.0)
    for low, high in _RANGES:
        use = (first > low) & (first < high) & (moved > low) & (moved < high)
        if int(use.sum()) >= _ENOUGH:
            return float(np.median(np.log2(moved[use] / first[use])))
    return None


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
