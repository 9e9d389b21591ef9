"""Kernel call that codes a tile (code.c)."""

from __future__ import annotations

import threading
from ctypes import c_int, c_int64, c_void_p

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import library, pointer

_local = threading.local()


def _room(name: str, size: int) -> NDArray[np.uint8]:
    """Memory of this thread's own, used again for the next tile: fresh pages cost as much as the coding."""
    have: NDArray[np.uint8] | None = getattr(_local, name, None)
    if have is None or have.size < size:
        have = np.empty(size, np.uint8)
        setattr(_local, name, have)
    return have


def coded(tile: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """A tile (rows, cols, channels), contiguous, as zlib data of Huffman codes alone with differences along its rows.

    The array is overwritten by the thread's next call.
    """
    lib = library()
    code, room, work = lib.nf_code_tile, lib.nf_code_room, lib.nf_code_work
    code.restype = room.restype = work.restype = c_int64
    room.argtypes, work.argtypes = [c_int, c_int, c_int], [c_int, c_int]
    code.argtypes = [c_void_p, c_int, c_int, c_int, c_void_p, c_void_p]
    rows, cols, channels = tile.shape
    to = _room("to", room(rows, cols, channels))
    by = _room("by", work(cols, channels))
    return to[: code(pointer(tile), rows, cols, channels, pointer(to), pointer(by))]
