"""Frames that lie in scratch as their JPEG has them: what planes.h computes, and the same at single places.

A block of 64 x 64 pixels has luma and then blue's and red's difference from it, at half width, or half width and height.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

BLOCK = 64
LUMA = BLOCK * BLOCK
U8 = NDArray[np.uint8]
Ints = NDArray[np.int64]


def block_bytes(down: int) -> int:
    """Bytes of a block whose chroma is halved across, and also down where ``down`` is 2."""
    return LUMA + 2 * (BLOCK // 2) * (BLOCK // down)


def lay_out(picture: U8, down: int) -> U8:
    """Luma and chroma (h, w, 3), chroma repeated, as blocks (rows of blocks, columns, bytes); edges are repeated."""
    rows, cols = -(-picture.shape[0] // BLOCK), -(-picture.shape[1] // BLOCK)
    beyond = [(0, n * BLOCK - size) for n, size in zip((rows, cols), picture.shape, strict=False)]
    luma = np.pad(picture[..., 0], beyond, mode="edge")
    parts = [_blocks(luma, BLOCK, BLOCK)]
    for k in (1, 2):
        plane = picture[::down, ::2, k]
        beyond = [(0, rows * BLOCK // down - plane.shape[0]), (0, cols * BLOCK // 2 - plane.shape[1])]
        parts.append(_blocks(np.pad(plane, beyond, mode="edge"), BLOCK // down, BLOCK // 2))
    out: U8 = np.concatenate(parts, axis=-1)
    return out


def _blocks(plane: U8, high: int, wide: int) -> U8:
    rows, cols = plane.shape[0] // high, plane.shape[1] // wide
    cut = plane.reshape(rows, high, cols, wide).transpose(0, 2, 1, 3)
    return np.asarray(cut.reshape(rows, cols, high * wide), np.uint8)


def luma_at(blocks: U8, y: Any, x: Any) -> U8:
    """Luma (...) at places inside a frame."""
    y, x = np.broadcast_arrays(np.asarray(y, np.int64), np.asarray(x, np.int64))
    return np.asarray(blocks[y // BLOCK, x // BLOCK, y % BLOCK * BLOCK + x % BLOCK])


def colours_at(blocks: U8, size: tuple[int, int], down: int, y: Any, x: Any) -> U8:
    """Red, green and blue (..., 3) at places inside a frame of ``size`` (width, height)."""
    y, x = np.broadcast_arrays(np.asarray(y, np.int64), np.asarray(x, np.int64))
    luma = luma_at(blocks, y, x).astype(np.int64)
    blue, red = (_between(blocks, size, down, k, y, x) - 128 for k in (0, 1))
    r = luma + ((91881 * red + 32768) >> 16)
    g = luma + ((-22554 * blue - 46802 * red + 32768) >> 16)
    b = luma + ((116130 * blue + 32768) >> 16)
    return np.asarray(np.clip(np.stack([r, g, b], axis=-1), 0, 255), np.uint8)


def _between(blocks: U8, size: tuple[int, int], down: int, which: int, y: Ints, x: Ints) -> Ints:
    """Three quarters of the nearer sample and one of the other, across, and down as well where chroma is halved so."""
    width, height = (size[0] + 1) // 2, -(-size[1] // down)
    high = BLOCK // down
    start = LUMA + which * high * (BLOCK // 2)

    def sample(row: Ints, col: Ints) -> Ints:
        row, col = np.clip(row, 0, height - 1), np.clip(col, 0, width - 1)
        at = start + row % high * (BLOCK // 2) + col % (BLOCK // 2)
        return np.asarray(blocks[row // high, col // (BLOCK // 2), at], np.int64)

    odd = x & 1

    def column(col: Ints) -> Ints:
        if down == 1:
            return sample(y, col)
        return 3 * sample(y // 2, col) + sample(y // 2 + 2 * (y & 1) - 1, col)

    total = 3 * column(x // 2) + column(x // 2 + 2 * odd - 1)
    return np.asarray((total + 8 - odd) >> 4 if down == 2 else (total + 1 + odd) >> 2)
