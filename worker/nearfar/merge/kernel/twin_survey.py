"""Survey of one frame, spelled out: the specification of survey.c, over whole pictures and in its order of operations.

A cell is a square of 16 x 16 pixels. What a survey tells of each is how much detail of three sizes lies in it: the
mean square of the luma's bands y - B5 y at full, half and quarter size, B5 = [1 4 6 4 1] / 16 along both axes.
Everything is float32, and sums run in a stated order, so that the kernel's results are these bit for bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

CELL = 16
HALO = 16
"""Pixels of repeated edge around the picture: a band at quarter size reaches 8."""
CURVE_STEPS = 16384
BLOCK = 64
F32 = NDArray[np.float32]


def lay_out(picture: NDArray[Any]) -> NDArray[Any]:
    """(h, w, 3) as blocks (rows of blocks, columns of blocks, 3, 64, 64); beyond the picture its edge is repeated."""
    rows, cols = -(-picture.shape[0] // BLOCK), -(-picture.shape[1] // BLOCK)
    beyond = ((0, rows * BLOCK - picture.shape[0]), (0, cols * BLOCK - picture.shape[1]), (0, 0))
    whole = np.pad(picture, beyond, mode="edge")
    return np.ascontiguousarray(whole.reshape(rows, BLOCK, cols, BLOCK, 3).transpose(0, 2, 4, 1, 3))


def luma(r: F32, g: F32, b: F32) -> F32:
    """Luma of encoded colours with the weights of ITU-R BT.601: Y = .299 R + .587 G + .114 B."""
    return np.asarray(np.float32(0.299) * r + np.float32(0.587) * g + np.float32(0.114) * b)


def b5(plane: F32) -> F32:
    """B5 along both axes, first across and then down: (h, w) to (h - 4, w - 4), only where all taps lie inside."""
    s = plane
    s = 0.375 * s[:, 2:-2] + 0.25 * (s[:, 1:-3] + s[:, 3:-1]) + 0.0625 * (s[:, :-4] + s[:, 4:])
    return np.asarray(0.375 * s[2:-2] + 0.25 * (s[1:-3] + s[3:-1]) + 0.0625 * (s[:-4] + s[4:]))


def halve(plane: F32) -> F32:
    """Means of 2 x 2: (h, w), both even, to half size."""
    total = plane[::2, ::2] + plane[::2, 1::2] + plane[1::2, ::2] + plane[1::2, 1::2]
    return np.asarray(np.float32(0.25) * total)


def encoded_luma(samples: NDArray[Any]) -> F32:
    """Luma (h, w), 0..1, of samples (h, w, 3) as they are encoded in the file, uint8 or uint16, or of coded luma (h, w)."""
    scale = np.float32(1) / np.float32(np.iinfo(samples.dtype).max)
    values = samples.astype(np.float32) * scale
    if samples.ndim == 2:
        return np.asarray(values)
    return luma(values[..., 0], values[..., 1], values[..., 2])


def cell_sums(plane: F32, side: int) -> F32:
    """Sums over cells of ``side`` x ``side``: each column of a cell from the top, then the columns from the left."""
    rows, cols = plane.shape[0] // side, plane.shape[1] // side
    down = np.add.accumulate(plane.reshape(rows, side, cols, side), axis=1)[:, -1]
    return np.asarray(np.add.accumulate(down, axis=2)[..., -1], np.float32)


def inside(size: int, cells: int, level: int) -> NDArray[np.bool_]:
    """Which of the pixels of a level along one side stand for pixels of the picture: those that begin inside."""
    return (np.arange(cells * (CELL >> level)) << level) < size


def cell_means(plane: F32, size: tuple[int, int], level: int) -> F32:
    """Means over the part of each cell that lies in a picture of that (height, width): (R, C)."""
    side = CELL >> level
    y = inside(size[0], plane.shape[0] // side, level)
    x = inside(size[1], plane.shape[1] // side, level)
    count = cell_sums((y[:, None] & x[None]).astype(np.float32), side)
    return np.asarray(cell_sums(np.where(y[:, None] & x[None], plane, np.float32(0)), side) / count)


def small_picture(half: F32, curve: F32, size: tuple[int, int]) -> NDArray[np.uint16]:
    """Linear light of 4 x 4 pixels, 65535 for 1, (height // 4, width // 4).

    Taken from half-size luma v: the curve, (16385,) linear light at k / 16384, is read at the nearest entry, and the
    mean of 2 x 2 of these is rounded to nearest. Within a block of 2 x 2 pixels light is thus averaged encoded, which
    errs by the curve's bend only.
    """
    rows, cols = size[0] // 4, size[1] // 4
    v = half[: 2 * rows, : 2 * cols] * np.float32(CURVE_STEPS) + np.float32(0.5)
    light = curve[np.clip(v, 0, CURVE_STEPS).astype(np.int32)]
    down = light[::2] + light[1::2]
    mean = np.minimum((down[:, ::2] + down[:, 1::2]) * np.float32(0.25), 1)
    return np.asarray(mean * np.float32(65535) + np.float32(0.5)).astype(np.uint16)


def measure(samples: NDArray[Any], curve: F32) -> tuple[F32, F32, NDArray[np.uint16]]:
    """Survey of one frame.

    Parameters
    ----------
    samples
        (h, w, 3), uint8 or uint16; (h, w) for a JPEG's own luma.
    curve
        (16385,), encoded luma to linear light.

    Returns
    -------
    Energies (3, R, C), mean encoded luma (R, C), and the small picture of `small_picture`. Cells at the right and
    lower edge count only what lies in the picture; the bands there see the edge pixel repeated outside.
    """
    size = samples.shape[0], samples.shape[1]
    rows, cols = -(-size[0] // CELL), -(-size[1] // CELL)
    around = ((HALO, HALO + CELL * rows - size[0]), (HALO, HALO + CELL * cols - size[1]))
    y = np.pad(encoded_luma(samples), around, mode="edge")
    mean = cell_means(y[HALO:-HALO, HALO:-HALO], size, 0)
    half = halve(y)[HALO // 2 :, HALO // 2 :]
    energy = []
    for level in range(3):
        y = halve(y) if level else y
        halo = HALO >> level
        band = y[2:-2, 2:-2] - b5(y)
        band = band[halo - 2 : 2 - halo, halo - 2 : 2 - halo]
        energy.append(cell_means(band * band, size, level))
    return np.stack(energy), mean, small_picture(half, curve, size)
