"""A similarity fitted robustly to many blocks' shifts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.blocks import BlockEquations

ROUNDS = 6
PIXEL_NOISE = 1e-8
"""Variance that is added to a pixel's residual: below the rounding of 8-bit samples."""
BLOCK_FLOOR = 0.02
"""Error of a block's shift beyond its noise, px of the level."""
LOOSE = (2.0, 2.0, 2e-3, 2e-3)
"""Sigma of a weak prior on one round's change (x and y px of the level; log scale, roll): it only matters where the
blocks say next to nothing."""
_CHI_MEDIAN = 1.386  # median of chi-squared with two degrees of freedom: 2 ln 2
_CUT = 6.0


@dataclass(frozen=True, kw_only=True)
class Fit:
    """An increment (x, y in full px; log scale, roll), what is known of it, and how well it holds."""

    step: NDArray[np.float64]  # (4,)
    information: NDArray[np.float64]  # (4, 4)
    residual: NDArray[np.float64]  # (K, 2) full px: each block's own shift less the fitted one
    weight: NDArray[np.float64]  # (K,) trace of a block's information times its robust weight
    effective: float  # how many equal blocks would say as much


def _inverse(m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of (K, 2, 2) symmetric matrices; zero where singular."""
    det = m[:, 0, 0] * m[:, 1, 1] - m[:, 0, 1] ** 2
    size = m[:, 0, 0] + m[:, 1, 1]
    good = det > 1e-14 * size * size
    factor = np.where(good, 1 / np.where(good, det, 1), 0)
    out = np.empty_like(m)
    out[:, 0, 0], out[:, 1, 1] = m[:, 1, 1] * factor, m[:, 0, 0] * factor
    out[:, 0, 1] = out[:, 1, 0] = -m[:, 0, 1] * factor
    return out


def _jacobian(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """(K, 2, 4): a block's shift from (x, y, log scale, roll) about the centre."""
    j = np.zeros((len(x), 2, 4))
    j[:, 0, 0] = j[:, 1, 1] = 1
    j[:, 0, 2] = j[:, 1, 3] = x
    j[:, 1, 2] = y
    j[:, 0, 3] = -y
    return j


def _weighted_median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(total, 0.5 * total[-1])]])


def fit_similarity(
    blocks: BlockEquations,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    *,
    reduction: int = 1,
    weights: NDArray[np.float64] | None = None,
) -> Fit | None:
    """Fit (x, y, log scale, roll) to blocks at (x, y) full-size pixels from the centre; None where they say nothing.

    ``reduction`` is that of the pictures that the blocks were measured on; ``weights`` multiply their information.
    Robust by reweighting: 1 / (1 + m2 / 6 sc)^2 with m2 a block's squared Mahalanobis residual and sc its weighted
    median over that of a good block.
    """
    keep = np.flatnonzero(blocks.valid)
    if len(keep) < 2:
        return None
    q = float(reduction)
    scale = 1 / (blocks.variance[keep] + PIXEL_NOISE)
    if weights is not None:
        scale = scale * weights[keep]
    s = blocks.s[keep] * (scale / q**2)[:, None, None]
    g = blocks.g[keep] * (scale / q)[:, None]
    loss = np.eye(2) + (BLOCK_FLOOR * q) ** 2 * s
    information = np.linalg.solve(loss, s)
    pull = np.linalg.solve(loss, g[..., None])[..., 0]
    ridge = 1e-6 * np.einsum("kii->k", information)[:, None, None] * np.eye(2)
    shift = (_inverse(information + ridge) @ pull[..., None])[..., 0]

    j = _jacobian(x[keep], y[keep])
    jw = np.swapaxes(j, 1, 2) @ information
    normal = (jw @ j).reshape(len(keep), 16)
    right = (np.swapaxes(j, 1, 2) @ pull[..., None])[..., 0]
    trace = np.einsum("kii->k", information)
    if not trace.sum() > 0:
        return None
    prior = np.diag(1 / (np.array(LOOSE) * (q, q, 1, 1)) ** 2)
    weight, spread = np.ones(len(keep)), 1.0
    for _ in range(ROUNDS):
        total = (weight @ normal).reshape(4, 4)
        matrix = total + max(spread, 1.0) * prior
        d = np.sqrt(np.diag(matrix))
        step = np.linalg.solve(matrix / np.outer(d, d), (weight @ right) / d) / d
        residual = shift - j @ step
        m2 = np.einsum("ki,kij,kj->k", residual, information, residual)
        spread = max(_weighted_median(m2, trace) / _CHI_MEDIAN, 0.3)
        weight = 1 / (1 + m2 / (_CUT * spread)) ** 2
    counted = weight * trace
    effective = float(counted.sum() ** 2 / max((counted**2).sum(), 1e-300))
    every, told = np.zeros(len(blocks.valid)), np.zeros((len(blocks.valid), 2))
    every[keep], told[keep] = counted, residual
    return Fit(
        step=step,
        information=total / spread / (1 + 20 / max(effective, 1)),
        residual=told,
        weight=every,
        effective=effective,
    )
