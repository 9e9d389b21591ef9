"""How sharp each cell of a frame is against the sharpest that the stack has there, 0..1."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.similarity import Similarity, to_matrix

CELL = 16
_BANDS = 1
_FLOOR_PERCENTILE = 3.0
_TINY = 1e-14


@dataclass(frozen=True, kw_only=True)
class CellSharpness:
    """On a frame's cells: relative sharpness, and energy above noise."""

    relative: NDArray[np.float32]
    energy: NDArray[np.float32]


class StackSharpness:
    """The largest energy that any frame has, in the reference's cells."""

    def __init__(self, frames: Sequence[FrameView], poses: Sequence[Similarity], centre: complex) -> None:
        self.frames, self.poses, self.centre = frames, poses, centre
        self.noise = self._noise()
        self.best: NDArray[np.float32] | None = None
        for place in range(len(frames)):
            energy = self._energy(place)
            matrix = to_matrix(poses[place], centre, CELL)
            moved = kernel.warp(energy, matrix, energy.shape, 0.0)
            self.best = moved if self.best is None else np.maximum(self.best, moved)

    def _noise(self) -> float:
        """What is left of energy where nothing is sharp: as stated, or as seen in the plainest cells, whichever is more."""
        stated = [float(f.noise[0]) for f in self.frames]
        step = max(len(self.frames) // 16, 1)
        seen = [float(np.percentile(f.energy[0], _FLOOR_PERCENTILE)) for f in self.frames[::step]]
        return max(float(np.median(stated)), float(np.median(seen)), _TINY)

    def _energy(self, place: int) -> NDArray[np.float32]:
        return np.maximum(np.asarray(self.frames[place].energy[0], np.float32) - np.float32(self.noise), 0)

    def of(self, place: int) -> CellSharpness:
        """Relative sharpness of one frame, in its own cells."""
        energy = self._energy(place)
        assert self.best is not None
        matrix = to_matrix(self.poses[place].inverse(), self.centre, CELL)
        best = kernel.warp(self.best, matrix, energy.shape, 0.0)
        relative = energy / np.maximum(best, np.float32(_TINY)) * (best / (best + np.float32(self.noise)))
        return CellSharpness(relative=np.clip(relative, 0, 1), energy=energy)


def log_ratio(first: CellSharpness, second: CellSharpness, step: Similarity, centre: complex) -> float:
    """Median |log| of the ratio of two frames' energies where either is sharp: near 0 where one repeats the other."""
    moved = kernel.warp(second.energy, to_matrix(step, centre, CELL), first.energy.shape, -1.0)
    both = np.maximum(first.energy, moved)
    inside = moved >= 0
    if not inside.any() or not (both[inside] > 0).any():
        return 0.0
    use = inside & (both >= np.percentile(both[inside], 75)) & (both > 0)
    low = np.float32(_TINY)
    return float(np.median(np.abs(np.log((first.energy[use] + low) / (moved[use] + low)))))
