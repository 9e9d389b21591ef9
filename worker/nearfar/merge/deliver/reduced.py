"""Rows of tiles of the first reduced level and of the map of frames, which workers that render make ahead of delivery.

Each row comes from two bands and is stored under a key of both. Delivery only copies it; a row that is missing or damaged is
coded during delivery, so that no worker has to make any.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.deliverable import encode_tile
from nearfar.merge.deliver.pyramid import tiles_of
from nearfar.merge.keys import key
from nearfar.merge.render import stored_band
from nearfar.merge.scratch import Scratch

VERSION = 1
KIND = "reduced"


class Reduced:
    """Rows of tiles of one picture.

    Parameters
    ----------
    bands
        Keys of all its bands, from the top.
    """

    def __init__(self, scratch: Scratch, bands: Sequence[str]) -> None:
        self.scratch = scratch
        self.bands = bands
        self._pairs = [list(bands[k : k + 2]) for k in range(0, len(bands), 2)]
        self.names = [key(KIND, VERSION, {}, pair) for pair in self._pairs]

    def paths(self) -> list[Path]:
        """Paths of all of them, whether they exist or not."""
        return [self.scratch.path(name, KIND) for name in self.names]

    def make(self, bands: Sequence[int], check: Callable[[], None]) -> None:
        """Make the rows that these bands belong to, if both bands of a row are in scratch and the row is not."""
        for row in sorted({band // 2 for band in bands}):
            check()
            there = all(self.scratch.has(name, "band") for name in self._pairs[row])
            if there and not self.scratch.has(self.names[row], KIND):
                self._make(row)

    def _make(self, row: int) -> None:
        found = [stored_band(self.scratch, name) for name in self._pairs[row]]
        half = np.concatenate([band.half for band in found])
        frame_map = np.concatenate([band.frame_map for band in found])[:, :, None]
        arrays: dict[str, NDArray[np.generic]] = {}
        for name, rows in (("half", half), ("map", frame_map)):
            tiles = [encode_tile(tile) for tile in tiles_of(rows)]
            arrays[f"{name}-sizes"] = np.array([len(tile) for tile in tiles], np.int64)
            arrays[name] = np.frombuffer(b"".join(tiles), np.uint8)
        self.scratch.save(self.names[row], KIND, arrays)

    def half(self, row: int) -> list[bytes] | None:
        """Coded tiles of a row of the first reduced level, or None if they are not there."""
        return self._load(row, "half")

    def frame_map(self, row: int) -> list[bytes] | None:
        """The same of the map of frames."""
        return self._load(row, "map")

    def _load(self, row: int, name: str) -> list[bytes] | None:
        if not self.scratch.has(self.names[row], KIND):
            return None
        try:
            sizes, data = self.scratch.load(self.names[row], KIND, f"{name}-sizes", name)
        except WorkFailed:
            return None
        ends = np.cumsum(sizes)
        return [data[end - size : end].tobytes() for end, size in zip(ends, sizes, strict=True)]
