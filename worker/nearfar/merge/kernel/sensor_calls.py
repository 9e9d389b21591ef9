"""Kernel calls of the search for spots (sensor.c): NumPy arrays in, NumPy arrays out."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from ctypes import POINTER, byref, c_float, c_int, c_int64, c_void_p
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import Pixels, PixelsStruct, library, pointer

ROOM = 1 << 18
"""Isolated pixels that are taken from one frame at the most, 3 MB; where there are more, only higher ones are told."""
STEEPER = 1.5


def isolated(pixels: Pixels, least: float, threads: int = 1) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Places (y width + x, ascending) of pixels that stand out from all sixteen at a distance of two, and by how much.

    Parameters
    ----------
    least
        How much they must stand out, white being 1; raised until no more than `ROOM` pixels do.
    threads
        That share the rows.

    Returns
    -------
    Places (n,) int64 and heights (n,) float32, negative where darker.
    """
    struct = pixels.struct()
    find, size = library().nf_isolated, library().nf_isolated_bytes
    find.restype, size.restype, size.argtypes = c_int64, c_int64, [c_int]
    find.argtypes = [POINTER(PixelsStruct), c_int, c_int, c_float, c_void_p, c_void_p, c_int64, c_void_p]
    edges = np.linspace(0, struct.height, threads + 1).astype(int).tolist()

    def look(part: tuple[int, int]) -> tuple[int, NDArray[np.int64], NDArray[np.float32]]:
        work = np.empty(size(struct.width), np.uint8)
        places, heights = np.empty(ROOM, np.int64), np.empty(ROOM, np.float32)
        to = pointer(places), pointer(heights), ROOM, pointer(work)
        found = int(find(byref(struct), *part, least, *to))
        return found, places[:found].copy(), heights[:found].copy()

    with ThreadPoolExecutor(threads) as pool:
        while True:
            parts = list(pool.map(look, pairwise(edges)))
            if sum(found for found, _, _ in parts) <= ROOM:
                return np.concatenate([p for _, p, _ in parts]), np.concatenate([h for _, _, h in parts])
            least *= STEEPER
