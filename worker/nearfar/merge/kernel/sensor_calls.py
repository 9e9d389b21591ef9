"""Kernel calls of the search for spots (sensor.c): NumPy arrays in, NumPy arrays out."""

from __future__ import annotations

from ctypes import POINTER, byref, c_float, c_int, c_int64, c_void_p

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import Pixels, PixelsStruct, library, pointer

ROOM = 1 << 18
"""Isolated pixels that are taken from one frame at the most, 3 MB; where there are more, only higher ones are told."""
STEEPER = 1.5


def isolated(pixels: Pixels, least: float) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Places (y width + x, ascending) of pixels that stand out from all sixteen at a distance of two, and by how much.

    Parameters
    ----------
    least
        How much they must stand out, white being 1; raised until no more than `ROOM` pixels do.

    Returns
    -------
    Places (n,) int64 and heights (n,) float32, negative where darker.
    """
    struct = pixels.struct()
    find, size = library().nf_isolated, library().nf_isolated_bytes
    find.restype, size.restype, size.argtypes = c_int64, c_int64, [c_int]
    find.argtypes = [POINTER(PixelsStruct), c_int, c_int, c_float, c_void_p, c_void_p, c_int64, c_void_p]
    work = np.empty(size(struct.width), np.uint8)
    places, heights = np.empty(ROOM, np.int64), np.empty(ROOM, np.float32)
    while True:
        to = pointer(places), pointer(heights), ROOM, pointer(work)
        found = int(find(byref(struct), 0, struct.height, least, *to))
        if found <= ROOM:
            return places[:found].copy(), heights[:found].copy()
        least *= STEEPER
