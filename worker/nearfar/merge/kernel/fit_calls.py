"""Kernel calls of the fit of a link: NumPy arrays in, NumPy arrays out (register_fit.c; twin_fit.py specifies it)."""

from __future__ import annotations

import functools
from collections.abc import Callable
from ctypes import byref, c_double, c_int32, c_void_p
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge.kernel.loader import library, pointer

EQUATION = 8
FEWEST = 2  # blocks
PIXEL_NOISE = 1e-8
"""Variance that is added to a pixel's residual: below the rounding of 8-bit samples."""
BLOCK_FLOOR = 0.02
"""Error of a block's shift beyond its noise, px of the level."""
F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Fit:
    """The result of a fit to K blocks."""

    step: F64  # (4,) increment of the pose: x, y in full px, log scale, roll
    information: F64  # (4, 4) inverse covariance of the increment
    residual: F64  # (K, 2) full px: each block's own shift less the fitted one
    weight: F64  # (K,) trace of a block's information times its robust weight
    effective: float  # how many equal blocks would say as much


@functools.cache
def _calls() -> tuple[Callable[..., Any], Callable[..., Any]]:
    kernel = library()
    told, fitted = kernel.nf_register_equations, kernel.nf_register_fit
    told.restype, told.argtypes = None, [c_int32, c_void_p, c_void_p]
    fitted.restype = c_int32
    fitted.argtypes = [c_int32, *[c_void_p] * 4, c_double, *[c_void_p] * 5]
    return told, fitted


def equations(moments: F64) -> F64:
    """Equations of blocks, (K, 8), from their moments, (K, 21).

    The columns are xx, xy, yy, gx, gy of S u = g, whose solution u is a block's own shift; the variance of a pixel's
    residual after that shift, -1 if nothing was measured; half the growth of the blur's variance (px^2 of the level), and
    the information about it.
    """
    out = np.empty((len(moments), EQUATION))
    _calls()[0](len(moments), pointer(moments), pointer(out))
    return out


def information(table: F64, weights: F64) -> F64:
    """Information xx, xy, yy about each block's own shift, (K, 3), as `fit` uses it at full size; 0 if there is none."""
    scale = weights / (table[:, 5] + PIXEL_NOISE)
    scale[table[:, 5] < 0] = 0
    xx, xy, yy = (table[:, c] * scale for c in range(3))
    floor = BLOCK_FLOOR * BLOCK_FLOOR
    lx, ly, lo = 1 + floor * xx, 1 + floor * yy, floor * xy
    det = lx * ly - lo * lo
    return np.stack([ly * xx - lo * xy, ly * xy - lo * yy, lx * yy - lo * xy], axis=1) / det[:, None]


def fit(table: F64, x: F64, y: F64, weights: F64 | None, reduction: float) -> Fit | None:
    """Fit an increment of a pose to the shifts of blocks; None if they determine nothing.

    Parameters
    ----------
    table
        Of `equations`, (K, 8).
    x, y
        Where the blocks are, full-size pixels from the picture's centre, (K,).
    weights
        Multiply the blocks' information, (K,); None for 1.
    reduction
        Of the pictures that the blocks were measured on.
    """
    n = len(table)
    x, y = np.ascontiguousarray(x, np.float64), np.ascontiguousarray(y, np.float64)
    weights = None if weights is None else np.ascontiguousarray(weights, np.float64)
    step, information, effective = np.empty(4), np.empty((4, 4)), c_double()
    residual, weight = np.empty((n, 2)), np.empty(n)
    status = _calls()[1](
        *(n, pointer(table), pointer(x), pointer(y), None if weights is None else pointer(weights)),
        *(float(reduction), pointer(step), pointer(information), pointer(residual), pointer(weight)),
        byref(effective),
    )
    if status == 2:
        raise WorkFailed("the registration kernel could not get memory for its work")
    if status:
        return None
    return Fit(
        step=step, information=information, residual=residual, weight=weight, effective=effective.value
    )
