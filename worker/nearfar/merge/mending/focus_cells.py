"""The delivered focus map, in cells: which frame it names where, for mends that use it."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames import tiff_tags
from nearfar.frames.deliverable import TILE
from nearfar.frames.delivered import Delivered
from nearfar.merge.deliver.map_scale import FORMAT, map_step
from nearfar.merge.mending.boxes import Box
from nearfar.merge.mending.sources import CELL, FocusCells

HALF_CELL = CELL // 2
"""Edge of a cell in the map, which has half the picture's size."""
UNKNOWN = 1 << 20
"""More than any value of the map, for places that it leaves open: they sort last."""


class DeliveredMap:
    """A delivered focus map, open.

    Parameters
    ----------
    path
        Of the map, which has half the picture's size.
    names
        Of the used frames, in order.

    Raises
    ------
    WorkFailed
        The map is damaged, or of other frames.
    OSError
        There is no such file.
    """

    def __init__(self, path: Path, names: list[str]) -> None:
        self._picture = Delivered(path)
        self._frames = len(names)
        self._lock = threading.Lock()
        self._known: dict[Box, FocusCells] = {}
        told = self._picture.levels[0].tags.get(tiff_tags.IMAGE_DESCRIPTION)
        try:
            listed = json.loads(told.text() if told else "")[FORMAT]["frames"]
        except (ValueError, KeyError, TypeError):
            listed = None
        if listed != names:
            self.close()
            raise WorkFailed(
                f"{path}: found a map that is not of these frames; put the delivered one back, or run the job again"
            )

    def close(self) -> None:
        """Close the file."""
        self._picture.__exit__(None, None, None)

    def cells(self, box: Box) -> FocusCells:
        """The frame of each cell in a box of the picture whose corner lies at multiples of 16."""
        with self._lock:
            if box not in self._known:
                self._known = {box: self._read(box), **dict(list(self._known.items())[:16])}
            return self._known[box]

    def _read(self, box: Box) -> FocusCells:
        x, y = box[0] // 2, box[1] // 2
        rows, cols = -(-box[3] // CELL), -(-box[2] // CELL)
        values = np.zeros((rows * HALF_CELL, cols * HALF_CELL), np.int32)
        level = self._picture.levels[0]
        right, bottom = min(level.width, x + values.shape[1]), min(level.height, y + values.shape[0])
        for row in range(y // TILE, -(-bottom // TILE)):
            for column in range(x // TILE, -(-right // TILE)):
                tile = self._picture.tile((0, row * level.across + column))[:, :, 0]
                top, left = max(y, row * TILE), max(x, column * TILE)
                end_y, end_x = min(bottom, (row + 1) * TILE), min(right, (column + 1) * TILE)
                part = tile[
                    top - row * TILE : end_y - row * TILE, left - column * TILE : end_x - column * TILE
                ]
                values[top - y : end_y - y, left - x : end_x - x] = part
        return FocusCells(box[0], box[1], _named(values, self._frames))


def _named(values: NDArray[np.int32], frames: int) -> NDArray[np.int32]:
    """The median frame of each cell, as a whole number; in cells where nothing is known, the median of all cells."""
    rows, cols = values.shape[0] // HALF_CELL, values.shape[1] // HALF_CELL
    each = values.reshape(rows, HALF_CELL, cols, HALF_CELL).transpose(0, 2, 1, 3).reshape(rows, cols, -1)
    known = np.sort(np.where(each == 0, UNKNOWN, each), axis=2)
    count = (known < UNKNOWN).sum(axis=2)
    middle = np.take_along_axis(known, (np.maximum(count, 1) // 2)[:, :, None], axis=2)[:, :, 0]
    every = np.sort(values[values > 0])
    step = map_step(frames)
    middle = np.where(count > 0, middle, every[len(every) // 2] if len(every) else step)
    return np.asarray(np.clip((middle + step // 2) // step - 1, 0, frames - 1), np.int32)
