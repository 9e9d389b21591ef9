"""What the passes of the focus step have in common: a frame's energies in the picture's geometry, and its light."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.blown import BLOWN, blown_cells
from nearfar.merge.focus import broad, passing
from nearfar.merge.focus.seen import FocusFrame, Seen, cell_pose, light_of_cells, see
from nearfar.merge.kernel.picture_calls import warp_grid
from nearfar.merge.noise import Noise

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

CHANCE = np.float32(1) + 12 * np.array([0.09, 0.17, 0.30], np.float32)
"""Energy that noise alone may reach in a cell, over its mean: twelve standard deviations of white noise for each band. In
frames with lossy compression it varies by half its mean from cell to cell, and is more than the quietest cells tell."""
FEW = 12
"""With no more frames than this, one may be admitted by chance: that costs little, and averaging lowers the noise."""


class Grids:
    """What the three passes have in common: a frame's energies in the picture's geometry, less the noise."""

    def __init__(
        self, noise: Noise, frames: int, size: tuple[int, int], small: Sequence[Callable[[], F32]] | None
    ) -> None:
        self.noise = noise
        self.small = small
        self.size = size
        self.blown = False
        self.chance = CHANCE if frames > FEW else np.ones(3, np.float32)
        self._blown: list[U8 | None] = [None] * frames

    def read(self, frame: FocusFrame) -> Seen:
        """The frame's grids."""
        return see(frame, self.noise)

    def lit(self, item: tuple[int, FocusFrame]) -> tuple[Seen, F32]:
        """The frame's grids and the light of its cells; notes whether any frame has blown light."""
        index, frame = item
        seen = self.read(frame)
        if self.small is None:
            return seen, _even(seen.luma, frame)
        small = self.small[index]()
        self.blown |= bool(small.max() > BLOWN)
        return seen, light_of_cells(small, frame, self.size, (seen.luma.shape[0], seen.luma.shape[1]))

    def broad(self, item: tuple[int, FocusFrame], changes: U8) -> F32:
        """Energies (3, R, C) of a frame's broad detail beyond noise and what `passing` explains."""
        assert self.small is not None  # noqa: S101 - asked for only then
        index, frame = item
        variance = self.read(frame).variance
        energy = broad.energies(self.small[index](), frame, self.size, (variance.shape[0], variance.shape[1]))
        return passing.remaining(broad.above_noise(energy, variance), changes)

    def sure(self, seen: Seen) -> F32:
        """Energies (3, R, C) reduced further by what noise may reach by chance."""
        if (self.chance == 1).all():
            return seen.energy
        more = np.stack([seen.variance * (self.noise.white(b) * (self.chance[b] - 1)) for b in range(3)])
        return np.asarray(np.maximum(seen.energy - more, np.float32(0)), np.float32)

    def veiled(self, item: tuple[int, FocusFrame], light: F32) -> NDArray[np.bool_]:
        """Mask of the cells in which blown light spreads in a frame: it has some there, and is brighter than ``light``."""
        if self.small is None or not self.blown:
            return np.zeros(light.shape, np.bool_)
        brighter = self.lit(item)[1] > light + passing.VEIL
        return np.asarray(brighter & self.blown_in(item, light.shape) if brighter.any() else brighter)

    def blown_in(self, item: tuple[int, FocusFrame], shape: tuple[int, ...]) -> NDArray[np.bool_]:
        """Mask of the picture's cells in or beside which a frame may have blown light."""
        index, frame = item
        kept = self._blown[index]
        if kept is None:
            out = np.zeros(shape, np.bool_)
            if self.small is not None:
                found = blown_cells(self.small[index](), (shape[0], shape[1]))
                if found.any():
                    out = warp_grid(found, cell_pose(frame.pose), frame.bend) > 0
            kept = self._blown[index] = np.packbits(out, axis=1)
        return np.unpackbits(kept, axis=1, count=shape[1]).astype(np.bool_)


def _even(luma: F32, frame: FocusFrame) -> F32:
    """Encoded luma at the stack's brightness."""
    return np.asarray(luma * np.float32(frame.to_level), np.float32)
