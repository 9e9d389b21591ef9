"""Boxes of the first picture, before all mends, from its tiles."""

from __future__ import annotations

import threading
from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.deliverable import TILE
from nearfar.frames.delivered import Delivered
from nearfar.merge.mending.boxes import Box, common

U16 = NDArray[np.uint16]
DECODED = 96
"""Decoded tiles that are held, 150 MB."""


class FirstPicture:
    """The picture by boxes, for several threads; the tiles that were used last are held."""

    def __init__(self, picture: Delivered) -> None:
        self._picture = picture
        self._held: OrderedDict[int, U16] = OrderedDict()
        self._lock = threading.Lock()

    def pixels(self, box: Box) -> U16:
        """The picture in a box, (height, width, 3)."""
        x, y, width, height = box
        out = np.empty((height, width, 3), np.uint16)
        across = self._picture.levels[0].across
        for row in range(y // TILE, (y + height - 1) // TILE + 1):
            for column in range(x // TILE, (x + width - 1) // TILE + 1):
                part = common((column * TILE, row * TILE, TILE, TILE), box)
                tile = self._tile(row * across + column)[part[1] - row * TILE :, part[0] - column * TILE :]
                out[part[1] - y :, part[0] - x :][: part[3], : part[2]] = tile[: part[3], : part[2]]
        return out

    def _tile(self, place: int) -> U16:
        with self._lock:
            found = self._held.get(place)
            if found is not None:
                self._held.move_to_end(place)
                return found
        made = self._picture.tile((0, place))
        with self._lock:
            self._held[place] = made
            while len(self._held) > DECODED:
                self._held.popitem(last=False)
        return made
