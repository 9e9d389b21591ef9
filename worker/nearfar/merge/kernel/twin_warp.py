"""A frame carried into the picture's geometry, spelled out: the specification of warp.c, in its order of operations.

A cubic between two samples, with slopes from six (`weights_at`), as two one-dimensional passes. Against slopes from four
(Keys 1981, A = -.75) it keeps more of what is finest: .87 in place of .72 of a pattern of .35 cycles a pixel half-way
between pixels. The pose maps picture (x, y) to frame (u, v):

    u = a x + b y + c,    v = d x + e y + f.

On frame row j, y = (j - f - d x) / e, so the picture's column x lies at u = (a - b d / e) x + (b / e) j + (c - b f / e).
The first pass takes each frame row j at these places; the second takes, in each column x, the rows around v.

A frame that is bent lies at (u, v) plus a smooth displacement. Its places are computed where blocks of columns begin, and go
on straight in between; where row j lies in the picture's column x is found by one correction of the y above.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.twin_cells import mirror
from nearfar.merge.kernel.twin_survey import b5, halve, luma

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
NEAR, FAR = np.float32(0.8), np.float32(-0.2)
TAPS = 6
UNIT = np.float32(24576)
"""Colours are held as int16, so many for 1: the cubic overshoots, up to 1.33 fits."""


@dataclass(frozen=True, kw_only=True)
class Carried:
    """Planes of one frame in a window (h, w) of the picture.

    ``colour``: (3, h, w) int16 in `UNIT`-ths. ``fine``: (h, w), finest luma band. ``square``, ``half_luma``
    (h / 2, w / 2): means of 2 x 2 of that band squared, and of the luma.
    """

    colour: NDArray[np.int16]
    fine: F32
    square: F32
    half_luma: F32


def values(samples: NDArray[Any], table: F32 | None) -> F32:
    """Encoded values of samples (h, w, 3), 0..1: by a table (the frame's gain is in it), or as they are."""
    if table is not None:
        return np.asarray(table[samples], np.float32)
    return samples.astype(np.float32) * (np.float32(1) / np.float32(np.iinfo(samples.dtype).max))


def weights_at(t: F32) -> tuple[F32, ...]:
    """Weights of the samples at -2..3 for a place ``t`` after 0; they add up to 1.

    The cubic that has the samples at 0 and 1 and the slopes there (Hermite's), each slope taken from four samples:
    NEAR (f1 - f-1) + FAR (f2 - f-2).
    """
    u = 1 - t
    t2, u2 = t * t, u * u
    p, q = t * u2, t2 * u
    np_, nq, fp, fq = NEAR * p, NEAR * q, FAR * p, FAR * q
    return -fp, fq - np_, u2 * (1 + 2 * t) + nq, t2 * (1 + 2 * u) + np_, fp - nq, -fq


def block_places(starts: F64, step: float | F64, block: int) -> tuple[NDArray[np.int64], F32]:
    """Whole offset and fraction of the places start + k step, k = 0 .. block - 1.

    All places of a block share the whole number below the middle one, so the fraction may leave 0..1 a little and
    the cubic's pieces are used beyond their interval: that keeps gathers out of the kernel's loops. Exact for a
    pure shift and for blocks of one; the error of other poses is measured in the tests.
    """
    whole = np.floor(starts + step * (0.5 * (block - 1)))
    fraction = (starts - whole).astype(np.float32)
    each = np.asarray(step, np.float32)[..., None] * np.arange(block, dtype=np.float32)
    return whole.astype(np.int64), np.asarray(fraction[..., None] + each, np.float32)


def block_of(rate: float, d: float, e: float, steep: float = 0.0) -> int:
    """Columns of a block: fewer the stronger scale or roll, so that the cubic is used at most .16 beyond."""
    most = max(abs(rate - 1), abs(d), abs(e - 1)) + steep
    return 16 if most <= 0.02 else 8 if most <= 0.04 else 4 if most <= 0.08 else 1


def bent_places(pose: F64, bend: Bend, starts: F64, rows: F64, block: int) -> tuple[NDArray[np.int64], F32]:
    """As `block_places`, the frame columns of (rows, blocks) on frame rows."""
    (a, b, c), (d, e, f) = (tuple(float(v) for v in row) for row in pose)
    x = np.append(starts, starts[-1] + block)
    y = (rows[:, None] - f - d * x) / e
    y = y - bend.at(x, y)[1] / e
    u = a * x + (b * y + c) + bend.at(x, y)[0]
    return block_places(u[:, :-1], (u[:, 1:] - u[:, :-1]) / block - 1, block)


def bent_rows(pose: F64, bend: Bend, starts: F64, y: F64, block: int) -> tuple[NDArray[np.int64], F32]:
    """As `block_places`, the frame rows of (y, blocks) in picture rows."""
    d, e, f = (float(v) for v in pose[1])
    x = np.append(starts, starts[-1] + block)
    v = d * x + (e * y + f) + bend.at(x, y)[1]
    return block_places(v[:, :-1], (v[:, 1:] - v[:, :-1]) / block, block)


def resample(
    frame: F32, pose: F64, left: int, top: int, width: int, height: int, bend: Bend | None = None
) -> F32:
    """The window of the picture (height, width, 3) whose top left pixel is (left, top), from a frame's values.

    ``left`` and ``width`` are multiples of 16: blocks begin at multiples of their size, so a pixel does not depend on
    the window. Outside, the frame is mirrored.
    """
    (a, b, c), (d, e, f) = (tuple(float(v) for v in row) for row in pose)
    rate, skew, shift = a - b * d / e, b / e, c - b * f / e
    block = block_of(rate, d, e, 0.0 if bend is None else bend.steep)
    starts = np.arange(left, left + width, block).astype(np.float64)
    y = np.arange(top, top + height).astype(np.float64)[:, None]

    if bend is None:
        row, fraction_down = block_places(d * starts + (e * y + f), d, block)
    else:
        row, fraction_down = bent_rows(pose, bend, starts, y, block)
    lowest = int(row.min()) - 2
    rows = np.arange(lowest, int(row.max()) + 4)

    if bend is None:
        u = rate * starts + (skew * rows[:, None].astype(np.float64) + shift)
        column, fraction = block_places(u, rate - 1, block)
    else:
        column, fraction = bent_places(pose, bend, starts, rows.astype(np.float64), block)
    source = frame[mirror(rows, frame.shape[0])]
    at = column[..., None] + np.arange(block)
    lines = np.arange(len(rows))[:, None, None]
    samples = [source[lines, mirror(at + k - 2, frame.shape[1])] for k in range(TAPS)]
    across = _product(weights_at(fraction), samples)

    blocks = np.arange(len(starts))
    samples = [across[row - lowest + k - 2, blocks] for k in range(TAPS)]
    down = _product(weights_at(fraction_down), samples)
    return np.asarray(down.reshape(height, width, 3))


def _product(weights: tuple[F32, ...], samples: list[F32]) -> F32:
    total = weights[0][..., None] * samples[0]
    for w, sample in zip(weights[1:], samples[1:], strict=True):
        total = total + w[..., None] * sample
    return total


def to_units(colour: F32) -> NDArray[np.int16]:
    """Values as whole `UNIT`-ths, rounded to nearest (the float32 sum with 32768.5 rounds too, by 1/256 at most)."""
    held = np.clip(colour * UNIT, np.float32(-32767), np.float32(32767))
    return np.asarray((held + np.float32(32768.5)).astype(np.int32) - 32768, np.int16)


def carry(
    samples: NDArray[Any],
    table: F32 | None,
    pose: F64,
    left: int,
    top: int,
    width: int,
    height: int,
    bend: Bend | None = None,
) -> Carried:
    """One frame in a window of the picture; ``top`` and ``height`` are even. At the window's edges B5 repeats them."""
    colour = resample(values(samples, table), pose, left, top, width, height, bend)
    planes = np.ascontiguousarray(np.moveaxis(colour, 2, 0))
    y = luma(planes[0], planes[1], planes[2])
    fine = y - b5(np.pad(y, 2, mode="edge"))
    return Carried(
        colour=to_units(planes),
        fine=fine,
        square=halve(fine * fine),
        half_luma=halve(y),
    )
