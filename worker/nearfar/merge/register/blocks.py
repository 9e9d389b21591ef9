"""From a block's moments to what it says about the shift between two frames.

Symmetric in both frames: with m = (a + b)/2 and d = b - a, d = -gx ux - gy uy + beta lap(m) + gamma m + o. beta takes
the change of blur, gamma the change of brightness, o an offset; these three are eliminated block by block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.register_calls import BLOCK

_UPPER = np.triu_indices(6)
_ONE, _MEAN, _LAPLACIAN, _DIFFERENCE = 4, 3, 2, 5
_LEAST_PIVOT = 1e-9
_RIDGE = 1e-3
_PIXELS = BLOCK * BLOCK


@dataclass(frozen=True, kw_only=True)
class BlockEquations:
    """Normal equations S u = g of K blocks' shifts u (pixels of the level that they were measured at).

    ``variance`` is that of a pixel's residual after the block's own best shift; ``valid`` tells which blocks were
    measured at all and hold structure.
    """

    s: NDArray[np.float64]  # (K, 2, 2)
    g: NDArray[np.float64]  # (K, 2)
    variance: NDArray[np.float64]  # (K,)
    valid: NDArray[np.bool_]  # (K,)
    blur: NDArray[
        np.float64
    ]  # (K,) change of blur: half the growth of the blur's variance, px^2 of the level
    blur_information: NDArray[np.float64]  # (K,)


def _eliminate(m: NDArray[np.float64], pivot: int, scale: NDArray[np.float64]) -> NDArray[np.float64]:
    """Schur complement of one unknown in every block; unknowns that the others explain already are left alone."""
    value = m[:, pivot, pivot]
    good = value > _LEAST_PIVOT * scale + 1e-30
    factor = np.where(good, 1 / np.where(good, value, 1), 0)
    column = m[:, :, pivot]
    return m - column[:, :, None] * (column * factor[:, None])[:, None, :]


def block_equations(moments: NDArray[np.float64]) -> BlockEquations:
    """Eliminate offset, gain and change of blur from (K, 21) moments."""
    m = np.empty((len(moments), 6, 6))
    m[:, _UPPER[0], _UPPER[1]] = moments
    m[:, _UPPER[1], _UPPER[0]] = moments
    scale = np.einsum("kii->ki", m).copy()
    for pivot in (_ONE, _MEAN):
        m = _eliminate(m, pivot, scale[:, pivot])
    power = m[:, _LAPLACIAN, _LAPLACIAN]
    blur = m[:, _LAPLACIAN, _DIFFERENCE] / np.maximum(power, 1e-30)
    m = _eliminate(m, _LAPLACIAN, scale[:, _LAPLACIAN])
    s, g, left = m[:, :2, :2], -m[:, :2, _DIFFERENCE], m[:, _DIFFERENCE, _DIFFERENCE]
    trace = s[:, 0, 0] + s[:, 1, 1]
    ridge = _RIDGE * trace + 1e-30
    xx, yy, xy = s[:, 0, 0] + ridge, s[:, 1, 1] + ridge, s[:, 0, 1]
    det = xx * yy - xy * xy + 1e-60
    ux, uy = (yy * g[:, 0] - xy * g[:, 1]) / det, (xx * g[:, 1] - xy * g[:, 0]) / det
    explained = 2 * (ux * g[:, 0] + uy * g[:, 1]) - (
        s[:, 0, 0] * ux * ux + 2 * xy * ux * uy + s[:, 1, 1] * uy * uy
    )
    variance = np.maximum(left - explained, 0) / (_PIXELS - 6)
    valid = (moments[:, 18] > 0) & (trace > 1e-20)
    return BlockEquations(
        s=s, g=g, variance=variance, valid=valid, blur=blur, blur_information=power / (variance + 1e-12)
    )
