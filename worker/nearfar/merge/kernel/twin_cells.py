"""Operations on small grids of cells in NumPy: the specification of cells.c, in its order of operations."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import Bend

F32 = NDArray[np.float32]
CELL = 16


def warp(grid: F32, pose: NDArray[np.float64], bend: Bend | None = None) -> F32:
    """A grid (R, C) seen through ``pose`` (2, 3): at (x, y) the bilinear value of ``grid`` at pose (x, y) and ``bend``.

    Positions are float64 and clamped to the grid, so that its edge is repeated outside. With f the fraction,
    g = (1 - fv) ((1 - fu) g00 + fu g01) + fv ((1 - fu) g10 + fu g11).
    """
    rows, cols = grid.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    u, v = (p[0] * x + (p[1] * y + p[2]) for p in pose)
    if bend is not None:
        middle = (CELL - 1) * 0.5
        du, dv = bend.at(CELL * x + middle, CELL * y + middle)
        u, v = u + du / CELL, v + dv / CELL
    u, v = np.clip(u, 0, cols - 1), np.clip(v, 0, rows - 1)
    i, j = u.astype(np.int64), v.astype(np.int64)
    right, below = np.minimum(i + 1, cols - 1), np.minimum(j + 1, rows - 1)
    fu, fv = (u - i).astype(np.float32), (v - j).astype(np.float32)
    top = grid[j, i] * (1 - fu) + grid[j, right] * fu
    low = grid[below, i] * (1 - fu) + grid[below, right] * fu
    return np.asarray(top * (1 - fv) + low * fv)


def mirror(index: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """Index mirrored at both edges with the edge repeated (-1 is 0, ``size`` is size - 1), clamped beyond that."""
    index = np.where(index < 0, -index - 1, index)
    index = np.where(index >= size, 2 * size - 1 - index, index)
    return np.clip(index, 0, size - 1)


def blur_along(grid: F32, taps: F32) -> F32:
    """Symmetric filter along the last axis, taps[0] in the middle: the middle first, then pair by pair outwards."""
    at = np.arange(grid.shape[-1])
    out = taps[0] * grid
    for t in range(1, len(taps)):
        before, after = mirror(at - t, len(at)), mirror(at + t, len(at))
        out = out + taps[t] * (grid[..., before] + grid[..., after])
    return np.asarray(out)


def blur(grid: F32, taps: F32) -> F32:
    """The symmetric filter across and then down a grid (R, C), mirrored at its edges."""
    return np.ascontiguousarray(blur_along(blur_along(grid, taps).T, taps).T)


def grow(grid: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Largest of the 3 x 3 cells around: admission grown by one cell in all eight directions."""
    padded = np.pad(grid, 1, mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, (3, 3)).max(axis=(2, 3)))
