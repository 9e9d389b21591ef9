"""Lanczos-4 resampling by a smooth displacement field, as two one-dimensional passes.

Library warps round positions to 1/32 pixel, which would show in the true poses. Here a tap is a shifted
view of the whole strip times a weight field, so positions are as exact as float32 allows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.scenes.light import Floats

REACH = 4
STRIP = 48


def inverse(pose: NDArray[np.float64]) -> NDArray[np.float64]:
    """The 2x3 map that undoes a 2x3 map."""
    turn = np.linalg.inv(pose[:, :2])
    return np.hstack([turn, -turn @ pose[:, 2:]])


def compose(outer: NDArray[np.float64], inner: NDArray[np.float64]) -> NDArray[np.float64]:
    """``outer`` after ``inner``, both 2x3."""
    return np.hstack([outer[:, :2] @ inner[:, :2], outer[:, :2] @ inner[:, 2:] + outer[:, 2:]])


def _pass(source: Floats, shift: NDArray[np.float64], width: int) -> Floats:
    """out[y, x] = source[y, x + shift[y, x]], strip by strip; beyond the edge the edge repeats."""
    out = np.empty((len(source), width, source.shape[2]), np.float32)
    for top in range(0, len(source), STRIP):
        part = slice(top, top + STRIP)
        out[part] = _strip(source[part], shift[part], width)
    return out


def _strip(source: Floats, shift: NDArray[np.float64], width: int) -> Floats:
    low, high = int(np.floor(shift.min())) - REACH + 1, int(np.floor(shift.max())) + REACH
    before, after = max(0, -low), max(0, high + width - source.shape[1])
    # Channel by channel: a loop over three channels inside that over pixels takes three times as long.
    padded = np.pad(source.transpose(2, 0, 1), ((0, 0), (0, 0), (before, after)), mode="edge")
    whole = np.floor(shift)
    part = (shift - whole).astype(np.float32)
    exact = (part < 1e-6) | (part > 1 - 1e-6)
    part = np.where(exact, np.where(part > 0.5, np.float32(1 - 1e-6), np.float32(1e-6)), part)
    d = (whole - low).astype(np.float32) + part
    odd = (whole - low).astype(np.int32) & 1
    fast = np.sin(np.pi * part) * (1 - 2 * odd).astype(np.float32)
    slow_sin, slow_cos = np.sin(np.pi / 4 * d), np.cos(np.pi / 4 * d)
    total = np.zeros(shift.shape, np.float32)
    out = np.zeros((source.shape[2], *shift.shape), np.float32)
    part_of_sum = np.empty(shift.shape, np.float32)
    for tap in range(high - low + 1):
        z = d - np.float32(tap)
        sign = -1 if tap % 2 else 1
        turn = np.float32(np.cos(np.pi / 4 * tap)), np.float32(np.sin(np.pi / 4 * tap))
        weight = sign * fast * (slow_sin * turn[0] - slow_cos * turn[1]) / (z * z)
        weight[np.abs(z) >= REACH] = 0
        total += weight
        at = tap + low + before
        for plane, samples in zip(out, padded, strict=True):
            np.multiply(weight, samples[:, at : at + width], out=part_of_sum)
            np.add(plane, part_of_sum, out=plane)
    out /= total
    return out.transpose(1, 2, 0)


def by_field(source: Floats, dx: NDArray[np.float64], dy: NDArray[np.float64]) -> Floats:
    """out[y, x] = source[y + dy, x + dx] for fields that vary slowly; shape of the fields."""
    height, width = dx.shape
    mid = _pass(source[:height] if len(source) >= height else source, dx, width)
    return np.ascontiguousarray(_pass(mid.transpose(1, 0, 2), dy.T, height).transpose(1, 0, 2))


def by_map(source: Floats, back: NDArray[np.float64], size: tuple[int, int]) -> Floats:
    """out(x, y) = source(back (x, y)) for a 2x3 map near a shift; ``size`` is (width, height).

    First rows are resampled at each source row v, then columns: u is written as a function of x and v.
    """
    width, height = size
    (a, b, c), (d, e, f) = back
    rows, columns = (
        np.arange(len(source), dtype=np.float64)[:, None],
        np.arange(width, dtype=np.float64)[None],
    )
    used = _needed_rows(back, size, len(source))
    v = rows[used]
    u = a * columns + b * (v - d * columns - f) / e + c
    mid = _pass(source[used], u - columns, width)
    y = np.arange(height, dtype=np.float64)[:, None]
    down = d * columns + e * y + f - y - used.start
    return np.ascontiguousarray(_pass(mid.transpose(1, 0, 2), down.T, height).transpose(1, 0, 2))


def _needed_rows(back: NDArray[np.float64], size: tuple[int, int], available: int) -> slice:
    corners = np.array([[0, 0], [size[0], 0], [0, size[1]], [size[0], size[1]]], np.float64)
    v = corners @ back[1, :2] + back[1, 2]
    return slice(max(0, int(v.min()) - REACH - 1), min(available, int(v.max()) + REACH + 2))
