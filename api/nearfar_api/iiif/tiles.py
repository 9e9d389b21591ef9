"""Decoded tiles, kept while there is room, those used last the longest. One for the process."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

import numpy as np
from numpy.typing import NDArray

from nearfar.settings import default_memory

U8 = NDArray[np.uint8]
MOST = 256 << 20
SHARE = 8
"""At most one part in so many of the memory that is there."""


def room() -> int:
    """Bytes for decoded tiles on this machine."""
    return min(MOST, default_memory() // SHARE)


class TileCache:
    """Least recently used goes first.

    Parameters
    ----------
    limit
        Bytes of pixels that are kept; 0 keeps none.
    """

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.size = 0
        self._tiles: OrderedDict[Hashable, U8] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], U8]) -> U8:
        """The tile of that key, made if it is not here. Two threads may make the same one; that does no harm."""
        with self._lock:
            found = self._tiles.get(key)
            if found is not None:
                self._tiles.move_to_end(key)
                return found
        made = make()
        made.flags.writeable = False
        self._keep(key, made)
        return made

    def _keep(self, key: Hashable, tile: U8) -> None:
        with self._lock:
            if key in self._tiles or tile.nbytes > self.limit:
                return
            self._tiles[key] = tile
            self.size += tile.nbytes
            while self.size > self.limit:
                self.size -= self._tiles.popitem(last=False)[1].nbytes
