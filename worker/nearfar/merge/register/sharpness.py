"""How sharp each cell of a frame is against the sharpest that the stack has there, 0..1."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.similarity import Similarity, to_matrix
from nearfar.merge.register.tilt import PeakFinder, find_tilt

CELL = 16
_BANDS = 1
_FLOOR_PERCENTILE = 3.0
_TINY = 1e-14
_POOL = 6
_SHARPEST = 75.0


@dataclass(frozen=True, kw_only=True)
class CellSharpness:
    """On a frame's cells: relative sharpness, and energy above noise."""

    relative: NDArray[np.float32]
    energy: NDArray[np.float32]


class StackSharpness:
    """The largest energy that any frame has, in the reference's cells, and in which frame: see `tilt`."""

    def __init__(self, frames: Sequence[FrameView], poses: Sequence[Similarity], centre: complex) -> None:
        self.frames, self.poses, self.centre = frames, poses, centre
        self.noise = self._noise()
        self.best = np.zeros_like(self._energy(0))
        peaks = PeakFinder(self.best.shape, self.noise)
        for place in range(len(frames)):
            matrix = to_matrix(poses[place], centre, CELL)
            energy = kernel.warp(self._energy(place), matrix, self.best.shape, 0.0)
            self.best = np.maximum(self.best, energy)
            peaks.add(energy)
        self.tilt = find_tilt(peaks)

    def _noise(self) -> float:
        """What is left of energy where nothing is sharp: as stated, or as seen in the plainest cells, whichever is more."""
        stated = [float(f.noise[0]) for f in self.frames]
        step = max(len(self.frames) // 16, 1)
        seen = [float(np.percentile(f.energy[0], _FLOOR_PERCENTILE)) for f in self.frames[::step]]
        return max(float(np.median(stated)), float(np.median(seen)), _TINY)

    def _energy(self, place: int) -> NDArray[np.float32]:
        energy = np.asarray(self.frames[place].energy[0], np.float32)
        return np.asarray(np.maximum(energy - np.float32(self.noise), 0))

    def of(self, place: int) -> CellSharpness:
        """Relative sharpness of one frame, in its own cells."""
        energy = self._energy(place)
        matrix = to_matrix(self.poses[place].inverse(), self.centre, CELL)
        best = kernel.warp(self.best, matrix, energy.shape, 0.0)
        relative = energy / np.maximum(best, np.float32(_TINY)) * (best / (best + np.float32(self.noise)))
        return CellSharpness(relative=np.clip(relative, 0, 1), energy=energy)


def _pooled(grid: NDArray[np.float32]) -> NDArray[np.float64]:
    """Sums over squares of cells, which hardly notice where between pixels a frame came to lie."""
    n = max(min(_POOL, min(grid.shape) // 4), 1)
    h, w = grid.shape[0] // n, grid.shape[1] // n
    return np.asarray(grid[: h * n, : w * n].reshape(h, n, w, n).sum((1, 3), dtype=np.float64).ravel())


def change_between(first: CellSharpness, second: CellSharpness, step: Similarity, centre: complex) -> float:
    """How much the sharpness of two frames differs, 0..1: near 0 where one repeats the other's focus."""
    moved = kernel.warp(second.energy, to_matrix(step, centre, CELL), first.energy.shape, -1.0)
    inside = _pooled((moved < 0).astype(np.float32)) == 0
    a, b = np.sqrt(_pooled(first.energy)[inside]), np.sqrt(np.maximum(_pooled(moved)[inside], 0))
    if not len(a):
        return 0.0
    sharp = np.maximum(a, b)
    use = sharp >= np.percentile(sharp, _SHARPEST)
    return float(np.abs(a - b)[use].sum() / max(float((a + b)[use].sum()), 1e-30))
