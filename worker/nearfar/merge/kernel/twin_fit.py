"""What register_fit.c computes, in NumPy: its specification. Same calls as fit_calls, same bits.

The model of a block treats both frames alike: with m = (a + b)/2 and d = b - a, d = -gx ux - gy uy + beta lap(m) + gamma m +
o, where (gx, gy) is the gradient of m and (ux, uy) the shift. beta stands for the change of blur, gamma for the change of
brightness and o for an offset; these three are eliminated block by block.

The fit is robust by reweighting: 1 / (1 + m2 / (6 sc))^2, with m2 a block's squared Mahalanobis residual, and sc the
weighted median of m2 divided by its median for good blocks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.fit_calls import BLOCK_FLOOR, FEWEST, PIXEL_NOISE, Fit

F64 = NDArray[np.float64]
ROUNDS = 6
LEAST_PIVOT, RIDGE, PIXELS = 1e-9, 1e-3, 256
LOOSE = (2.0, 2.0, 2e-3, 2e-3)
"""Standard deviations of a weak prior on one round's change (x, y in px of the level; log scale, roll), which only matters
if the blocks determine next to nothing."""
CHI_MEDIAN = 1.386  # median of chi-squared with two degrees of freedom: 2 ln 2
CUT = 6.0
GAUGE = 2.0**40
"""Weights of the median are rounded to this fraction of the largest, so that their sums are exact in any order."""
_UPPER = np.triu_indices(6)
_ONE, _MEAN, _LAPLACIAN, _DIFFERENCE = 4, 3, 2, 5


def _eliminate(m: F64, pivot: int, scale: F64) -> F64:
    """Schur complement of one unknown in every block, skipped where the other unknowns explain it already."""
    value = m[:, pivot, pivot]
    good = value > LEAST_PIVOT * scale + 1e-30
    factor = np.where(good, 1 / np.where(good, value, 1), 0)
    column = m[:, :, pivot]
    less = np.triu(column[:, :, None] * (column * factor[:, None])[:, None, :])
    return np.asarray(m - (less + np.triu(less, 1).swapaxes(1, 2)))


def equations(moments: F64) -> F64:
    """As ``fit_calls.equations``."""
    m = np.empty((len(moments), 6, 6))
    m[:, _UPPER[0], _UPPER[1]] = moments
    m[:, _UPPER[1], _UPPER[0]] = moments
    scale = np.einsum("kii->ki", m).copy()
    for pivot in (_ONE, _MEAN):
        m = _eliminate(m, pivot, scale[:, pivot])
    power = m[:, _LAPLACIAN, _LAPLACIAN]
    blur = m[:, _LAPLACIAN, _DIFFERENCE] / np.maximum(power, 1e-30)
    m = _eliminate(m, _LAPLACIAN, scale[:, _LAPLACIAN])
    gx, gy = -m[:, 0, _DIFFERENCE], -m[:, 1, _DIFFERENCE]
    trace = m[:, 0, 0] + m[:, 1, 1]
    ridge = RIDGE * trace + 1e-30
    xx, yy, xy = m[:, 0, 0] + ridge, m[:, 1, 1] + ridge, m[:, 0, 1]
    det = (xx * yy - xy * xy) + 1e-60
    ux, uy = (yy * gx - xy * gy) / det, (xx * gy - xy * gx) / det
    spent = (m[:, 0, 0] * ux * ux + 2 * xy * ux * uy) + m[:, 1, 1] * uy * uy
    left = m[:, _DIFFERENCE, _DIFFERENCE] - (2 * (ux * gx + uy * gy) - spent)
    variance = np.maximum(left, 0) / (PIXELS - 6)
    valid = (moments[:, 18] > 0) & (trace > 1e-20)
    told = np.where(valid, variance, -1)
    return np.stack([m[:, 0, 0], xy, m[:, 1, 1], gx, gy, told, blur, power / (variance + 1e-12)], axis=1)


def _solve(a: F64, b: F64) -> F64:
    """Solve a symmetric positive definite system, scaled by its diagonal, by elimination from the top."""
    d = np.sqrt(np.diag(a))
    a, b = a / np.outer(d, d), b / d
    n = len(b)
    for p in range(n):
        for i in range(p + 1, n):
            f = a[i, p] / a[p, p]
            a[i, p:] -= f * a[p, p:]
            b[i] -= f * b[p]
    for i in range(n - 1, -1, -1):
        s = b[i]
        for j in range(i + 1, n):
            s = s - a[i, j] * b[j]
        b[i] = s / a[i, i]
    return np.asarray(b / d)


def _told(e: F64, x: F64, y: F64, weights: F64, q: float) -> tuple[F64, F64, F64]:
    """For each block its part of the normal equations and right-hand side (K, 14), its shift (K, 2), information (K, 3)."""
    floor = (BLOCK_FLOOR * q) * (BLOCK_FLOOR * q)
    scale = 1 / (e[:, 5] + PIXEL_NOISE) * weights
    sxx, sxy, syy = (e[:, c] * (scale / (q * q)) for c in range(3))
    gx, gy = e[:, 3] * (scale / q), e[:, 4] * (scale / q)
    lx, ly, lo = 1 + floor * sxx, 1 + floor * syy, floor * sxy
    det = lx * ly - lo * lo
    a, b, c = (ly * sxx - lo * sxy) / det, (ly * sxy - lo * syy) / det, (lx * syy - lo * sxy) / det
    px, py = (ly * gx - lo * gy) / det, (lx * gy - lo * gx) / det
    ridge = 1e-6 * (a + c)
    ar, cr = a + ridge, c + ridge
    size, d2 = ar + cr, ar * cr - b * b
    good = d2 > 1e-14 * size * size
    f = np.where(good, 1 / np.where(good, d2, 1), 0)
    w2x, w2y, w3x, w3y = x * a + y * b, x * b + y * c, x * b - y * a, x * c - y * b
    normal = [a, b, w2x, w3x, c, w2y, w3y, x * w2x + y * w2y, x * w2y - y * w2x, x * w3y - y * w3x]
    right = [px, py, x * px + y * py, x * py - y * px]
    shift = np.stack([(cr * px - b * py) * f, (ar * py - b * px) * f], axis=1)
    return np.stack([*normal, *right], axis=1), shift, np.stack([a, b, c], axis=1)


def _heavy_middle(values: F64, parts: NDArray[np.int64]) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(parts[order])
    return float(values[order[int(np.searchsorted(2 * total, total[-1]))]])


def fit(e: F64, x: F64, y: F64, weights: F64 | None, q: float) -> Fit | None:
    """As ``fit_calls.fit``."""
    keep = np.flatnonzero(e[:, 5] >= 0)
    xs, ys = x[keep], y[keep]
    given = np.ones(len(keep)) if weights is None else weights[keep]
    table, shift, known = _told(e[keep], xs, ys, given, q)
    trace = known[:, 0] + known[:, 2]
    if len(keep) < FEWEST or not trace.max() > 0:
        return None
    parts = (trace / trace.max() * GAUGE).astype(np.int64)
    sigma = np.array([LOOSE[0] * q, LOOSE[1] * q, *LOOSE[2:]])
    trust, spread = np.ones(len(keep)), 1.0
    upper = np.triu_indices(4)
    for _ in range(ROUNDS):
        total = np.cumsum(trust[:, None] * table, axis=0)[-1]
        full = np.zeros((4, 4))
        full[upper] = full.T[upper] = total[:10]
        step = _solve(full + np.diag(max(spread, 1.0) * (1 / (sigma * sigma))), total[10:])
        rx = shift[:, 0] - (step[0] + (xs * step[2] - ys * step[3]))
        ry = shift[:, 1] - (step[1] + (ys * step[2] + xs * step[3]))
        m2 = rx * (known[:, 0] * rx + known[:, 1] * ry) + ry * (known[:, 1] * rx + known[:, 2] * ry)
        spread = max(_heavy_middle(m2, parts) / CHI_MEDIAN, 0.3)
        t = 1 + m2 / (CUT * spread)
        trust = 1 / (t * t)
    counted = trust * trace
    effective = float(np.cumsum(counted)[-1] ** 2 / max(np.cumsum(counted * counted)[-1], 1e-300))
    weight, residual = np.zeros(len(e)), np.zeros((len(e), 2))
    weight[keep], residual[keep] = counted, np.stack([rx, ry], axis=1)
    return Fit(
        step=step,
        information=full / spread / (1 + 20 / max(effective, 1.0)),
        residual=residual,
        weight=weight,
        effective=effective,
    )
