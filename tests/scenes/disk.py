"""The blur disk of a thin lens on a pixel grid, and its transform.

A point at distance d from the plane in focus becomes an even disk. On the grid each pixel gets the
area that it shares with the disk; the disk is shrunk so that its variance is the true R**2/4 per axis
(the pixel's own extent is already in the picture), so radii far below one pixel work too.
"""

from __future__ import annotations

from functools import cache
from threading import Lock

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tests.scenes.light import Floats

SUB = 24


def covered(radius: float) -> NDArray[np.float64]:
    """Share of each pixel that a disk around the middle pixel's centre covers; sums to 1."""
    half = int(np.ceil(radius + 0.5)) - 1 if radius > 0.5 else 0
    half = max(half, 0)
    rows = (np.arange((2 * half + 1) * SUB) + 0.5) / SUB - half - 0.5
    chord = np.sqrt(np.maximum(radius * radius - rows * rows, 0))[:, None]
    left = np.arange(2 * half + 1)[None, :] - half - 0.5
    length = np.clip(np.minimum(chord, left + 1) - np.maximum(-chord, left), 0, None)
    kernel = length.reshape(2 * half + 1, SUB, -1).sum(1)
    kernel = kernel + kernel.T
    return np.asarray(kernel / kernel.sum())


def variance(kernel: NDArray[np.float64]) -> float:
    """Second moment along one axis, square pixels."""
    at = np.arange(len(kernel)) - len(kernel) // 2
    return float((kernel.sum(0) * at * at).sum())


@cache
def _shrunk() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    radii = np.linspace(0.5, 5, 181)
    return np.array([2 * np.sqrt(variance(covered(r))) for r in radii]), radii


def disk(radius: float) -> NDArray[np.float64]:
    """Odd-sided square kernel of a disk of ``radius`` pixels, variance R**2/4, sum 1, no negative weight."""
    given, shrunk = _shrunk()
    if radius < given[-1]:
        return covered(float(np.interp(radius, given, shrunk)))
    return covered(float(np.sqrt(radius * radius - 1 / 3)))


def rounded(radius: float) -> float:
    """Radius on a grid fine where it matters, so that transforms can be shared between frames."""
    step = 16 if radius < 2 else 8 if radius < 6 else 4
    return round(radius * step) / step


class Transforms:
    """Real transfer functions of disks, kept by shape and rounded radius."""

    def __init__(self, most: int = 400) -> None:
        self._kept: dict[tuple[tuple[int, int], float], Floats] = {}
        self._most = most
        self._lock = Lock()

    def of(self, shape: tuple[int, int], radius: float) -> Floats:
        key = shape, rounded(radius)
        found = self._kept.get(key)
        if found is None:
            found = self._make(*key)
            with self._lock:
                while len(self._kept) >= self._most:
                    self._kept.pop(next(iter(self._kept)))
                self._kept[key] = found
        return found

    @staticmethod
    def _make(shape: tuple[int, int], radius: float) -> Floats:
        kernel = disk(radius)
        side = len(kernel)
        grid = np.zeros(shape, np.float32)
        grid[:side, :side] = kernel
        grid = np.roll(grid, (-(side // 2), -(side // 2)), (0, 1))
        return np.ascontiguousarray(scipy.fft.rfft2(grid).real)
