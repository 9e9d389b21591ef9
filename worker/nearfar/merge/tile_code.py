"""How tiles of results are coded: by Huffman's code alone where a search for repeats would find none.

Most of a picture's differences are noise and fine detail. The library finds next to no repeats in them and takes five
times as long to look; where a tile does shrink (plain grounds, clipped light, maps) it is left to the library.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.frames import deliverable
from nearfar.merge.kernel.code_calls import coded

SHRINKS = 0.6
"""A tile that takes less than this share of its bytes without repeats may have some."""


def encode_tile(tile: NDArray[np.uint16]) -> bytes:
    """A (512, 512, c) uint16 tile as `deliverable.decode_tile` reads it, the same bytes on every machine."""
    deliverable.check_tile(tile)
    data = coded(np.ascontiguousarray(tile))
    return deliverable.encode_tile(tile) if data.size < SHRINKS * tile.nbytes else data.tobytes()
