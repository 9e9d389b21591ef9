"""How sharp each cell of a frame is, relative to the sharpest that the stack has there, 0..1."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.blown import WHITE, blown_cells
from nearfar.merge.kernel.grid_calls import Peaks, add_to_peaks, relative, squares
from nearfar.merge.kernel.picture_calls import CELL
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.similarity import Similarity, to_matrix
from nearfar.merge.register.sliding import Crew, slide
from nearfar.merge.register.tilt import find_tilt

_FLOOR_PERCENTILE = 3.0  # of a frame's cells: the plainest, whose energy is noise
_TINY = 1e-14  # least noise: no energy is divided by nothing
_KEPT = 16 << 20  # bytes of energies that are kept
_POOL = 6  # cells on each side of the squares that are compared
_SHARPEST = 75.0  # percentile of the squares from which they count
_SHARP, _ENOUGH, _PART = 0.5, 24, 0.1
"""Relative sharpness from which a cell is sharp, and how many such, and what part of all, do without those beside blown
light, which spreads as blur grows, so that the picture seems to become larger."""


@dataclass(frozen=True, kw_only=True)
class CellSharpness:
    """On a frame's cells: relative sharpness, and energy above noise."""

    relative: NDArray[np.float32]
    energy: NDArray[np.float32]


class StackSharpness:
    """The largest energy that any frame has, in the reference's cells, and in which frame: see `tilt`."""

    def __init__(
        self, frames: Sequence[FrameView], poses: Sequence[Similarity], centre: complex, crew: Crew
    ) -> None:
        self.frames, self.poses, self.centre = frames, poses, centre
        self._kept: dict[int, NDArray[np.float32]] = {}
        self._blown: dict[int, NDArray[np.uint8]] = {}  # bits, since each is asked for several times
        self._room = _KEPT // max(4 * int(np.prod(frames[0].energy.shape[1:])), 1)
        self.noise = np.float32(self._noise(crew))
        peaks = Peaks.none(self._energy(0).shape)
        for new, held in slide(len(frames), 0, self._energy, crew):
            for place in new:
                add_to_peaks(peaks, held[place], to_matrix(poses[place], centre, CELL), self.noise)
        self.best = peaks.best
        self.tilt = find_tilt(peaks, float(self.noise))

    def _noise(self, crew: Crew) -> float:
        """What is left of energy where nothing is sharp: as stated, or as seen in the plainest cells, whichever is more."""
        stated = [float(f.noise[0]) for f in self.frames]
        step = max(len(self.frames) // 16, 1)
        seen = crew.map(
            lambda place: float(np.percentile(self._energy(place), _FLOOR_PERCENTILE)),
            range(0, len(self.frames), step),
        )
        return max(float(np.median(stated)), float(np.median(seen)), _TINY)

    def _energy(self, place: int) -> NDArray[np.float32]:
        """Of the finest band. The first frames' are kept, as many as have room: each is asked for several times."""
        found = self._kept.get(place)
        if found is None:
            found = np.array(self.frames[place].energy[0], np.float32)
            if place < self._room:
                self._kept[place] = found
        return found

    def of(self, place: int) -> CellSharpness:
        """Sharpness of the frame at ``place``, in its own cells; none beside blown light, if enough else is sharp."""
        matrix = to_matrix(self.poses[place].inverse(), self.centre, CELL)
        share, energy = relative(self._energy(place), self.best, matrix, self.noise)
        blown = self._blown_cells(place)
        if blown.any():
            clear = np.where(blown, np.float32(0), share)
            enough = max(_ENOUGH, _PART * np.count_nonzero(share > _SHARP))
            if np.count_nonzero(clear > _SHARP) >= enough:
                share = clear
        return CellSharpness(relative=share, energy=energy)

    def _blown_cells(self, place: int) -> NDArray[np.bool_]:
        """Cells (R, C) in or beside which the frame has blown light."""
        rows, cols = self.best.shape
        found = self._blown.get(place)
        if found is None:
            found = np.packbits(blown_cells(self.frames[place].small, (rows, cols), WHITE) > 0)
            self._blown[place] = found
        return np.unpackbits(found, count=rows * cols).reshape(rows, cols).astype(np.bool_)


def change_between(first: CellSharpness, second: CellSharpness, step: Similarity, centre: complex) -> float:
    """How much the sharpness of two frames differs, 0..1: near 0 if one repeats the other's focus.

    Compared over squares of cells, whose sums hardly depend on shifts by fractions of a pixel.
    """
    side = max(min(_POOL, min(first.energy.shape) // 4), 1)
    found = squares(first.energy, second.energy, to_matrix(step, centre, CELL), side)
    a, b = np.sqrt(found.first[~found.missing]), np.sqrt(found.second[~found.missing])
    if not len(a):
        return 0.0
    sharp = np.maximum(a, b)
    use = sharp >= np.percentile(sharp, _SHARPEST)
    return float(np.abs(a - b)[use].sum() / max(float((a + b)[use].sum()), 1e-30))
