"""Registration's kernel calls: NumPy arrays in, NumPy arrays out (register.c; twin_register.py specifies it)."""

from __future__ import annotations

import functools
from collections.abc import Callable
from ctypes import POINTER, byref, c_float, c_int32, c_void_p
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge.kernel.loader import Pixels, PixelsStruct, library, pointer

BLOCK = 16
RING = BLOCK + 2
MOMENTS = 21
NARROW, WIDE = 5, 8
NARROW_SIGMA, WIDE_SIGMA = 1.4, 2.5

_ARGUMENTS: dict[str, tuple[Any, list[Any]]] = {
    "nf_register_luma": (c_int32, [POINTER(PixelsStruct), c_int32, c_void_p]),
    "nf_register_bandpass": (c_int32, [c_void_p, c_int32, c_int32, c_void_p, c_void_p]),
    "nf_register_windows": (
        c_int32,
        [POINTER(PixelsStruct), c_int32, c_int32, c_void_p, c_void_p, c_int32, c_void_p, c_void_p],
    ),
    "nf_register_warp": (None, [c_void_p, c_int32, c_int32, c_void_p, c_float, c_int32, c_int32, c_void_p]),
    "nf_register_sums": (
        None,
        [
            *[c_int32, c_void_p],
            *[c_void_p, c_int32, c_void_p],
            *[c_void_p, c_int32, c_void_p, c_void_p, c_int32, c_int32],
            *[c_void_p, c_int32, c_void_p],
        ],
    ),
}


@functools.cache
def _call(name: str) -> Callable[..., Any]:
    function = getattr(library(), name)
    function.restype, function.argtypes = _ARGUMENTS[name]
    return function  # type: ignore[no-any-return]


def _checked(status: int) -> None:
    if status:
        raise WorkFailed("the registration kernel could not get memory for its work")


@functools.cache
def band_taps() -> NDArray[np.float32]:
    """Half kernels of the band-pass, middle tap first: six of sigma 1.4 px, then nine of sigma 2.5 px, each of sum 1."""
    parts = []
    for sigma, reach in ((NARROW_SIGMA, NARROW), (WIDE_SIGMA, WIDE)):
        half = np.exp(-0.5 * (np.arange(reach + 1) / sigma) ** 2)
        parts.append(half / (2 * half.sum() - half[0]))
    return np.concatenate(parts).astype(np.float32)


def luma(pixels: Pixels, reduction: int) -> NDArray[np.float32]:
    """Linear luma of a whole frame, means of ``reduction`` x ``reduction`` pixels."""
    h, w = pixels.shape
    out = np.empty((h // reduction, w // reduction), np.float32)
    _checked(_call("nf_register_luma")(byref(pixels.struct()), reduction, pointer(out)))
    return out


def bandpass(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Band-pass a picture: a Gaussian of 1.4 px minus one of 2.5 px, with mirrored edges."""
    source = np.ascontiguousarray(picture, np.float32)
    out = np.empty_like(source)
    h, w = source.shape
    _checked(_call("nf_register_bandpass")(pointer(source), w, h, pointer(band_taps()), pointer(out)))
    return out


def windows(
    pixels: Pixels,
    reduction: int,
    corners: NDArray[np.int32],
    size: int,
    lean: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Cut windows of linear luma and band-pass them, (count, size, size).

    Parameters
    ----------
    corners
        (count, 2), x and y of each window's first pixel, in reduced pixels.
    lean
        (count, 2), by which each window's light a is levelled before: it becomes a + div(b grad a), where b rises from the
        window's middle by this much per pixel in x and y. That removes the growth of blur across a tilted surface.
    """
    corners = np.ascontiguousarray(corners, np.int32)
    lean = None if lean is None else np.ascontiguousarray(lean, np.float32)
    out = np.empty((len(corners), size, size), np.float32)
    _checked(
        _call("nf_register_windows")(
            byref(pixels.struct()),
            reduction,
            len(corners),
            pointer(corners),
            None if lean is None else pointer(lean),
            size,
            pointer(band_taps()),
            pointer(out),
        )
    )
    return out


def warp(
    picture: NDArray[np.float32], pose: NDArray[np.float64], shape: tuple[int, int], fill: float
) -> NDArray[np.float32]:
    """A picture seen through ``pose`` (2, 3), bilinear; ``fill`` where the pose leaves it."""
    source = np.ascontiguousarray(picture, np.float32)
    matrix = np.ascontiguousarray(pose, np.float64)
    out = np.empty(shape, np.float32)
    h, w = source.shape
    _call("nf_register_warp")(pointer(source), w, h, pointer(matrix), fill, shape[1], shape[0], pointer(out))
    return out


def sums(
    origins: NDArray[np.int32],
    first: NDArray[np.float32],
    first_at: NDArray[np.int64],
    second: NDArray[np.float32],
    second_at: NDArray[np.int64],
    corners: NDArray[np.int32],
    pose: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Moments of every block, (count, 21); zeros where a block leaves its window.

    Parameters
    ----------
    origins
        (count, 2) x, y of each block's first pixel in the first frame.
    first, second
        Band-passed windows (..., h, w); one window for all blocks is a picture.
    first_at, second_at
        Indices into the flattened arrays: where a block's surroundings begin in ``first``, and its window in ``second``.
    corners
        (count, 2) pixel of the second frame at which each window of ``second`` starts.
    pose
        (2, 3), from pixels of the first frame to pixels of the second; (count, 2, 3) if each block has its own.
    """
    out = np.empty((len(origins), MOMENTS))
    matrix = np.ascontiguousarray(pose, np.float64)
    places = [np.ascontiguousarray(p, np.int32) for p in (origins, corners)]
    starts = [np.ascontiguousarray(p, np.int64) for p in (first_at, second_at)]
    h, w = second.shape[-2:]
    _call("nf_register_sums")(
        *(len(origins), pointer(places[0])),
        *(pointer(first), first.shape[-1], pointer(starts[0])),
        *(pointer(second), w, pointer(starts[1]), pointer(places[1]), w, h),
        *(pointer(matrix), 6 if matrix.ndim == 3 else 0, pointer(out)),
    )
    return out
