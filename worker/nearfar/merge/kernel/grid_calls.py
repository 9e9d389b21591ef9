"""Registration's kernel calls on cells and reduced pictures (register_cells.c; twin_grids.py specifies it).

A pose is (2, 3), from pixels or cells of the first picture to those of the second. Interpolation is bilinear.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from ctypes import c_float, c_int32, c_void_p
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import library, pointer

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_P, _N = c_void_p, c_int32
_ARGUMENTS: dict[str, list[Any]] = {
    "nf_register_halve": [_P, _P, _N, _N, _N, _P],
    "nf_register_shared": [_P, _P, _P, _P, _N, _N, _P, _P, _P],
    "nf_register_relative": [_P, _P, _N, _N, _P, c_float, _P, _P],
    "nf_register_best": [_P, _N, _N, _P, c_float, _P, _P],
    "nf_register_peaks": [_P, _N, _N, _N, _P, _P, _P, _P, _P],
    "nf_register_squares": [_P, _P, _N, _N, _P, _N, _P, _P, _P, _P],
    "nf_register_alike": [_P, _P, _N, _N, _P, _P],
}


@functools.cache
def _call(name: str) -> Callable[..., Any]:
    function = getattr(library(), name)
    function.restype, function.argtypes = None, _ARGUMENTS[name]
    return function  # type: ignore[no-any-return]


def _floats(a: NDArray[Any]) -> F32:
    return np.ascontiguousarray(a, np.float32)


def _matrix(pose: F64) -> F64:
    return np.ascontiguousarray(pose, np.float64)


def halve(picture: NDArray[np.float32] | NDArray[np.uint16]) -> F32:
    """Means of 2 x 2 pixels; an odd last row or column is left out. Whole numbers are divided by 65535."""
    source: NDArray[Any] = np.ascontiguousarray(picture)
    whole = source.dtype == np.uint16
    source = source if whole else _floats(source)
    h, w = source.shape
    out = np.empty((h // 2, w // 2), np.float32)
    given = (None, pointer(source)) if whole else (pointer(source), None)
    _call("nf_register_halve")(*given, w, w // 2, h // 2, pointer(out))
    return out


def shared(first: tuple[F32, F32], second: tuple[F32, F32], pose: F64) -> tuple[F32, F32]:
    """The smaller of two frames' values, for two planes (h, w) each; 0 where the pose leaves the second frame."""
    planes = [_floats(p) for p in (*first, *second)]
    h, w = planes[0].shape
    one, two = np.empty((h, w), np.float32), np.empty((h, w), np.float32)
    pose = _matrix(pose)
    _call("nf_register_shared")(*map(pointer, planes), w, h, pointer(pose), pointer(one), pointer(two))
    return one, two


def relative(raw: F32, best: F32, pose: F64, noise: np.float32) -> tuple[F32, F32]:
    """A frame's energy above ``noise`` as a share, 0..1, of the stack's largest, and that energy; (R, C) each."""
    raw, best, pose = _floats(raw), _floats(best), _matrix(pose)
    h, w = raw.shape
    share, energy = np.empty((h, w), np.float32), np.empty((h, w), np.float32)
    _call("nf_register_relative")(
        *(pointer(raw), pointer(best), w, h, pointer(pose), noise, pointer(share), pointer(energy))
    )
    return share, energy


@dataclass(kw_only=True)
class Peaks:
    """The largest energy of each cell over ``count`` frames, (R, C) each.

    Around the peak the energies are means of 3 x 3 cells: ``top`` in the frame at ``place`` (-1: none yet), ``before`` and
    ``after`` in its neighbours, ``last`` in the frame that was added last.
    """

    best: F32
    top: F32
    before: F32
    after: F32
    last: F32
    place: NDArray[np.int32]
    count: int = 0

    @classmethod
    def none(cls, shape: tuple[int, int]) -> Peaks:
        """Peaks over no frames."""
        planes = [np.zeros(shape, np.float32) for _ in range(5)]
        best, top, before, after, last = planes
        place = np.full(shape, -1, np.int32)
        return cls(best=best, top=top, before=before, after=after, last=last, place=place)


def add_to_peaks(peaks: Peaks, raw: F32, pose: F64, noise: np.float32) -> None:
    """Add the next frame's energy above ``noise``, seen through its pose."""
    raw, pose = _floats(raw), _matrix(pose)
    h, w = raw.shape
    moved = np.empty((h, w), np.float32)
    _call("nf_register_best")(pointer(raw), w, h, pointer(pose), noise, pointer(moved), pointer(peaks.best))
    planes = (peaks.top, peaks.before, peaks.after, peaks.last, peaks.place)
    _call("nf_register_peaks")(pointer(moved), w, h, peaks.count, *map(pointer, planes))
    peaks.count += 1


@dataclass(frozen=True, kw_only=True)
class Squares:
    """Squares of pixels of two pictures, row by row: the sums in both, the largest value in either, and whether the pose
    leaves the second picture somewhere in the square.
    """

    first: F64
    second: F64
    top: F32
    missing: NDArray[np.bool_]


def squares(first: F32, second: F32, pose: F64, side: int) -> Squares:
    """Sum two pictures of one size over squares of ``side`` pixels; incomplete squares at the edges are left out."""
    first, second, pose = _floats(first), _floats(second), _matrix(pose)
    h, w = first.shape
    n = (h // side) * (w // side)
    a, b, top, missing = np.empty(n), np.empty(n), np.empty(n, np.float32), np.empty(n, np.uint8)
    _call("nf_register_squares")(
        *(pointer(first), pointer(second), w, h, pointer(pose), side),
        *(pointer(a), pointer(b), pointer(top), pointer(missing)),
    )
    return Squares(first=a, second=b, top=top, missing=missing.astype(np.bool_))


def alike(first: F32, second: F32, pose: F64) -> F64:
    """Count and sums of a, b, aa, bb, ab, (6,), over the pixels that two pictures of one size share under a pose."""
    first, second, pose = _floats(first), _floats(second), _matrix(pose)
    h, w = first.shape
    out = np.empty(6)
    _call("nf_register_alike")(pointer(first), pointer(second), w, h, pointer(pose), pointer(out))
    return out
