"""What register_cells.c computes, in NumPy: its specification. Same calls as grid_calls, same bits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.grid_calls import F32, F64, Peaks, Squares
from nearfar.merge.kernel.twin_register import warp

LEAST = np.float32(1e-14)


def halve(picture: NDArray[np.float32] | NDArray[np.uint16]) -> F32:
    """As ``grid_calls.halve``."""
    p = picture.astype(np.float32)
    if picture.dtype == np.uint16:
        p = p * (np.float32(1) / np.float32(65535))
    h, w = p.shape[0] // 2 * 2, p.shape[1] // 2 * 2
    rows = p[0:h:2, :w] + p[1:h:2, :w]
    return np.asarray(np.float32(0.25) * (rows[:, 0::2] + rows[:, 1::2]), np.float32)


def shared(first: tuple[F32, F32], second: tuple[F32, F32], pose: F64) -> tuple[F32, F32]:
    """As ``grid_calls.shared``."""
    moved = [warp(p, pose, p.shape, -1.0) for p in second]
    one, two = (np.where(m < 0, 0, np.minimum(a, m)) for a, m in zip(first, moved, strict=True))
    return one.astype(np.float32), two.astype(np.float32)


def relative(raw: F32, best: F32, pose: F64, noise: np.float32) -> tuple[F32, F32]:
    """As ``grid_calls.relative``."""
    energy = np.maximum(raw - noise, np.float32(0))
    there = warp(best, pose, raw.shape, 0.0)
    share = energy / np.maximum(there, LEAST) * (there / (there + noise))
    return np.minimum(share, np.float32(1)), energy


def _box(a: F32) -> F32:
    """Mean of 3 x 3 cells, the edge going on outside."""
    p = np.pad(a, 1, mode="edge")
    rows = p[:-2] + p[1:-1] + p[2:]
    return np.asarray(
        (rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]) * (np.float32(1) / np.float32(9)), np.float32
    )


def add_to_peaks(peaks: Peaks, raw: F32, pose: F64, noise: np.float32) -> None:
    """As ``grid_calls.add_to_peaks``."""
    moved = warp(np.maximum(raw - noise, np.float32(0)), pose, raw.shape, 0.0)
    soft, k = _box(moved), np.int32(peaks.count)
    peaks.best = np.maximum(peaks.best, moved)
    peaks.after = np.where(peaks.place == k - 1, soft, peaks.after)
    higher = soft > peaks.top
    peaks.top = np.where(higher, soft, peaks.top)
    peaks.before = np.where(higher, peaks.last, peaks.before)
    peaks.place = np.where(higher, k, peaks.place)
    peaks.last = soft
    peaks.count += 1


def _in_squares(a: NDArray[np.generic], side: int) -> NDArray[np.generic]:
    """(squares, side x side) pixels, row by row."""
    h, w = a.shape[0] // side, a.shape[1] // side
    cut = a[: h * side, : w * side].reshape(h, side, w, side)
    return np.ascontiguousarray(cut.transpose(0, 2, 1, 3).reshape(h * w, side * side))


def squares(first: F32, second: F32, pose: F64, side: int) -> Squares:
    """As ``grid_calls.squares``; ``second`` holds nothing negative."""
    moved = warp(second, pose, first.shape, -1.0)
    missing = moved < 0
    moved = np.where(missing, np.float32(0), moved)
    a, b, gone = (_in_squares(v, side) for v in (first, moved, missing))
    some: NDArray[np.bool_] = np.asarray(gone.astype(np.bool_).any(axis=1))
    return Squares(
        first=np.cumsum(a.astype(np.float64), axis=1)[:, -1],
        second=np.cumsum(b.astype(np.float64), axis=1)[:, -1],
        top=np.maximum(a, b).max(axis=1, initial=0).astype(np.float32),
        missing=some,
    )


def alike(first: F32, second: F32, pose: F64) -> F64:
    """As ``grid_calls.alike``."""
    moved = warp(second, pose, first.shape, np.inf)
    inside = np.isfinite(moved)
    a, b = first[inside].astype(np.float64), moved[inside].astype(np.float64)
    if not len(a):
        return np.zeros(6)
    sums = [float(np.cumsum(v)[-1]) for v in (a, b, a * a, b * b, a * b)]
    return np.array([float(len(a)), *sums])
