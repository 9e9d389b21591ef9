"""What register.c computes, in NumPy: its specification. Same calls as register_calls, same bits, far slower."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.planes import luma_at
from nearfar.merge.kernel.register_calls import BLOCK, MOMENTS, NARROW, RING, WIDE, band_taps

F32 = NDArray[np.float32]
AFTER = np.float32(0.25)
"""px^2: variance of what is blurred after the lens."""


def _mirrored(first: int, count: int, n: int) -> NDArray[np.int64]:
    """Places first .. first + count - 1, mirrored at 0 and n with the edge pixel repeated, clamped beyond."""
    j = np.arange(first, first + count)
    j = np.where(j < 0, -j - 1, j)
    j = np.where(j >= n, 2 * n - 1 - j, j)
    return np.clip(j, 0, n - 1)


def _luma_at(pixels: Pixels, ys: NDArray[np.int64], xs: NDArray[np.int64], reduction: int) -> F32:
    """Linear luma at the full-size rows ``ys`` and columns ``xs``, mean of reduction x reduction of them.

    Of a JPEG's planes it is the luma that the file has, made linear as if it were grey.
    """
    if pixels.down:
        full = pixels.table[luma_at(pixels.samples, ys[:, None], xs[None])]
    else:
        rgb = pixels.table[pixels.samples[np.ix_(ys, xs)]]
        weights = np.array([0.299, 0.587, 0.114], np.float32)
        full = weights[0] * rgb[..., 0] + weights[1] * rgb[..., 1] + weights[2] * rgb[..., 2]
    if reduction == 1:
        return np.asarray(full, np.float32)
    total = np.zeros((len(ys) // reduction, len(xs) // reduction), np.float32)
    for v in range(reduction):
        for u in range(reduction):
            total += full[v::reduction, u::reduction]
    return total / np.float32(reduction * reduction)


def _gaussian(a: F32, taps: F32, axis: int, reach: int, length: int) -> F32:
    """Symmetric taps along an axis of an array that is padded by ``WIDE`` there; the middle comes first."""

    def at(t: int) -> F32:
        return a[WIDE + t : WIDE + t + length] if axis == 0 else a[:, WIDE + t : WIDE + t + length]

    out = taps[0] * at(0)
    for t in range(1, reach + 1):
        out = out + taps[t] * (at(-t) + at(t))
    return np.asarray(out, np.float32)


def _band(padded: F32, shape: tuple[int, int]) -> F32:
    """Band-pass of a picture that is padded by ``WIDE`` all round: down the columns, then along the rows."""
    narrow, wide = band_taps()[: NARROW + 1], band_taps()[NARROW + 1 :]
    a = _gaussian(padded, narrow, 0, NARROW, shape[0])
    b = _gaussian(padded, wide, 0, WIDE, shape[0])
    return _gaussian(a, narrow, 1, NARROW, shape[1]) - _gaussian(b, wide, 1, WIDE, shape[1])


def luma(pixels: Pixels, reduction: int) -> F32:
    """As ``register_calls.luma``."""
    h, w = (n // reduction * reduction for n in pixels.shape[:2])
    return _luma_at(pixels, np.arange(h), np.arange(w), reduction)


def bandpass(picture: F32) -> F32:
    """As ``register_calls.bandpass``."""
    h, w = picture.shape
    rows, columns = _mirrored(-WIDE, h + 2 * WIDE, h), _mirrored(-WIDE, w + 2 * WIDE, w)
    return _band(np.asarray(picture, np.float32)[np.ix_(rows, columns)], (h, w))


def _bend(a: F32) -> F32:
    """Five-point Laplacian inside the outermost ring."""
    return np.asarray(
        (a[1:-1, :-2] + a[1:-1, 2:]) + (a[:-2, 1:-1] + a[2:, 1:-1]) - np.float32(4) * a[1:-1, 1:-1],
        np.float32,
    )


def _rises(a: F32) -> tuple[F32, F32]:
    """Central differences in x and y inside the outermost ring."""
    half = np.float32(0.5)
    return half * (a[1:-1, 2:] - a[1:-1, :-2]), half * (a[2:, 1:-1] - a[:-2, 1:-1])


def _level(a: F32, bx: np.float32, by: np.float32) -> F32:
    """``a`` plus div(b grad a), b rising from 0 in the middle by (bx, by) a pixel; the two outermost rings stay.

    The lens does so to the light p of which the pixels, the filter before them and the interpolation of colours make
    a = G p, a Gaussian of variance `AFTER`: G(x f) = x G f + `AFTER` d/dx (G f) gives the third derivatives.
    """
    middle = np.float32(0.5) * np.float32(len(a) - 1)
    places = np.arange(2, len(a) - 2, dtype=np.float32) - middle
    bend = _bend(a)
    (gx, gy), (tx, ty) = _rises(a[1:-1, 1:-1]), _rises(bend)
    b = bx * places[None, :] + (by * places)[:, None]
    gx, gy = gx + AFTER * tx, gy + AFTER * ty
    out = a.copy()
    out[2:-2, 2:-2] = a[2:-2, 2:-2] + (b * bend[1:-1, 1:-1] + (bx * gx + by * gy))
    return out


def windows(
    pixels: Pixels, reduction: int, corners: NDArray[np.int32], size: int, lean: F32 | None = None
) -> F32:
    """As ``register_calls.windows``."""
    h, w = (n // reduction * reduction for n in pixels.shape[:2])
    out = np.empty((len(corners), size, size), np.float32)
    count = (size + 2 * WIDE) * reduction
    for k, (x, y) in enumerate(corners):
        xs = _mirrored((int(x) - WIDE) * reduction, count, w)
        ys = _mirrored((int(y) - WIDE) * reduction, count, h)
        light = _luma_at(pixels, ys, xs, reduction)
        if lean is not None and lean[k].any():
            light = _level(light, *lean[k])
        out[k] = _band(light, (size, size))
    return out


def _bilinear(picture: F32, u: NDArray[np.float64], v: NDArray[np.float64]) -> F32:
    """``picture`` at (u, v), which lie inside."""
    h, w = picture.shape
    iu, iv = np.clip(u.astype(np.int64), 0, w - 2), np.clip(v.astype(np.int64), 0, h - 2)
    f, g = (u - iu).astype(np.float32), (v - iv).astype(np.float32)
    top = picture[iv, iu] + f * (picture[iv, iu + 1] - picture[iv, iu])
    bottom = picture[iv + 1, iu] + f * (picture[iv + 1, iu + 1] - picture[iv + 1, iu])
    return np.asarray(top + g * (bottom - top), np.float32)


def warp(picture: F32, pose: NDArray[np.float64], shape: tuple[int, int], fill: float) -> F32:
    """As ``register_calls.warp``."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    u = pose[0, 0] * x + (pose[0, 1] * y + pose[0, 2])
    v = pose[1, 0] * x + (pose[1, 1] * y + pose[1, 2])
    h, w = picture.shape
    inside = (u >= 0) & (v >= 0) & (u < w - 1) & (v < h - 1)
    out = np.full(shape, fill, np.float32)
    out[inside] = _bilinear(picture, u[inside], v[inside])
    return out


def _cubic(f: F32) -> list[F32]:
    """Weights of the four pixels around fraction ``f``: the cubic through all four (Lagrange)."""
    one, half, sixth = np.float32(1), np.float32(0.5), np.float32(1) / np.float32(6)
    below, above, beyond = f + one, f - one, f - np.float32(2)
    return [
        f * above * beyond * -sixth,
        below * above * beyond * half,
        below * f * beyond * -half,
        below * f * above * sixth,
    ]


def _ring(picture: F32, m: NDArray[np.float64]) -> F32 | None:
    """A block with its ring, seen through ``m``; None where a corner leaves the picture."""
    h, w = picture.shape
    y, x = np.mgrid[:RING, :RING].astype(np.float64)
    u = m[0, 0] * x + (m[0, 1] * y + m[0, 2])
    v = m[1, 0] * x + (m[1, 1] * y + m[1, 2])
    cu, cv = u[:: RING - 1, :: RING - 1], v[:: RING - 1, :: RING - 1]
    if not ((cu >= 1) & (cv >= 1) & (cu < w - 2) & (cv < h - 2)).all():
        return None
    iu, iv = np.clip(u.astype(np.int64), 1, w - 3), np.clip(v.astype(np.int64), 1, h - 3)
    p, q = _cubic((u - iu).astype(np.float32)), _cubic((v - iv).astype(np.float32))
    rows = []
    for r in range(4):
        s = [picture[iv - 1 + r, iu - 1 + c] for c in range(4)]
        rows.append((p[0] * s[0] + p[1] * s[1]) + (p[2] * s[2] + p[3] * s[3]))
    return np.asarray((q[0] * rows[0] + q[1] * rows[1]) + (q[2] * rows[2] + q[3] * rows[3]), np.float32)


def block_moments(first: F32, second: F32) -> NDArray[np.float64]:
    """(21,) upper triangle of the moments of (d/dx, d/dy, Laplacian, mean, 1, difference) over a block.

    ``first`` and ``second`` are the block with its ring, (18, 18). Sixteen columns are summed down their rows in
    single precision, then one after another in double.
    """
    m = np.float32(0.5) * (first + second)
    middle = m[1:-1, 1:-1]
    gx = np.float32(0.5) * (m[1:-1, 2:] - m[1:-1, :-2])
    gy = np.float32(0.5) * (m[2:, 1:-1] - m[:-2, 1:-1])
    around = (m[1:-1, :-2] + m[1:-1, 2:]) + (m[:-2, 1:-1] + m[2:, 1:-1])
    laplacian = around - np.float32(4) * middle
    terms = [gx, gy, laplacian, middle, np.ones_like(middle), second[1:-1, 1:-1] - first[1:-1, 1:-1]]
    out = []
    for i in range(6):
        for j in range(i, 6):
            lane = np.zeros(BLOCK, np.float32)
            for row in terms[i] * terms[j]:
                lane = lane + row
            total = 0.0
            for value in lane:
                total += float(value)
            out.append(total)
    return np.array(out)


def sums(
    origins: NDArray[np.int32],
    first: F32,
    first_at: NDArray[np.int64],
    second: F32,
    second_at: NDArray[np.int64],
    corners: NDArray[np.int32],
    pose: NDArray[np.float64],
) -> NDArray[np.float64]:
    """As ``register_calls.sums``."""
    out = np.zeros((len(origins), MOMENTS))
    h, w = second.shape[-2:]
    stride = first.shape[-1]
    for k, (origin, corner) in enumerate(zip(origins, corners, strict=True)):
        x, y = (float(v) - 1 for v in origin)
        own = pose[k] if pose.ndim == 3 else pose
        m = own.copy()
        for row in (0, 1):
            m[row, 2] = (own[row, 0] * x + own[row, 1] * y) + (own[row, 2] - corner[row])
        window = second.reshape(-1)[second_at[k] : second_at[k] + h * w].reshape(h, w)
        ring = _ring(window, m)
        if ring is not None:
            at = first_at[k] + stride * np.arange(RING)[:, None] + np.arange(RING)
            out[k] = block_moments(first.reshape(-1)[at], ring)
    return out
