"""The law of breathing: turning the focus ring by equal steps scales the picture by nearly equal factors.

If few blocks are sharp in two neighbours, their scale is poorly known; the law then gives it, from the other steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.robust import OVER_MEDIAN

TOLERANCE = 0.015
"""How far a step may differ from the law, px at the picture's RMS radius."""
_LEAST_SHARE = 0.4  # of the links, by weight, that must obey a law
_BETTER = 0.15  # share of the links by which a linear law must explain more than a constant one
_LINEAR_FROM = 8  # frames
_LEAST_LOOSE = 0.02  # px at the RMS radius: smallest spread of links about a loose law
_TELLING = 0.3  # largest spread of links about a loose law, as a share of its rate
_TRIALS = 400  # pairs of links that a linear law is drawn through
_ROUNDS = 10  # of reweighting


@dataclass(frozen=True, kw_only=True)
class Law:
    """Log scale per step of the frame number: constant, or changing linearly over the stack."""

    coefficients: NDArray[np.float64]
    """The constant, and the slope over -1..1 if it is linear."""
    middle: float
    """Frame number at 0 of that range."""
    half: float
    """Frame numbers from there to 1."""
    sigma: float
    """Standard deviation of links about the law, log scale."""
    share: float
    """Share of the links that obey it, by weight."""
    doubt: float = 0.0
    """Standard deviation of an error that all steps have in common, log scale; 0 if negligible."""

    def at(self, number: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log scale of one step of the frame number, at ``number``."""
        x = (number - self.middle) / self.half
        return np.asarray(
            self.coefficients[0] + (self.coefficients[1] * x if len(self.coefficients) > 1 else 0 * x)
        )


def _score(
    residual: NDArray[np.float64], weights: NDArray[np.float64], tolerance: float
) -> NDArray[np.float64]:
    return np.asarray(np.maximum(0, 1 - (residual / tolerance) ** 2) @ weights)


def _consensus(
    x: NDArray[np.float64],
    rate: NDArray[np.float64],
    weights: NDArray[np.float64],
    degree: int,
    tolerance: float,
) -> NDArray[np.float64]:
    """Coefficients that most links agree with, among those determined by one link or by two."""
    if degree == 0:
        trials = rate[:, None]
    else:
        pairs = np.random.default_rng(0).integers(0, len(rate), (_TRIALS, 2))
        gap = x[pairs[:, 1]] - x[pairs[:, 0]]
        pairs, gap = pairs[np.abs(gap) > 1e-9], gap[np.abs(gap) > 1e-9]
        slope = (rate[pairs[:, 1]] - rate[pairs[:, 0]]) / gap
        level = rate[pairs[:, 0]] - slope * x[pairs[:, 0]]
        mild = np.abs(slope) <= 0.05 * np.abs(level) + 0.5 * tolerance
        trials = np.stack([level[mild], slope[mild]], axis=1)
        if not len(trials):
            trials = np.array([[np.median(rate), 0.0]])
    model = trials @ np.vander(x, trials.shape[1], increasing=True).T
    return np.asarray(trials[int(np.argmax(_score(rate - model, weights, tolerance)))])


def find_law(
    steps: Sequence[tuple[float, float]],
    log_scale: NDArray[np.float64],
    variance: NDArray[np.float64],
    *,
    radius: float,
    doubt: NDArray[np.float64] | None = None,
) -> Law | None:
    """The law that links over ``steps`` (first and second frame number) obey; None where they obey none.

    ``variance`` is that of each log scale; ``radius`` the picture's RMS radius in px. ``doubt``: times the usual by which
    a link may err: what the law is comes from those that err least, whether it holds is asked of all alike.
    """
    if len(steps) < 3:
        return None
    first, second = np.array(steps, np.float64).T
    span = second - first
    rate, middle = log_scale / span, (first + second) / 2
    weights = span / np.maximum(variance, 1e-30)
    weights = np.minimum(weights, 2 * np.median(weights))
    trusted = weights if doubt is None else weights / doubt
    low, high = float(first.min()), float(second.max())
    centre, half, tolerance = (low + high) / 2, max((high - low) / 2, 1.0), TOLERANCE / radius
    x = (middle - centre) / half
    laws = []
    for degree in range(2 if high - low + 1 >= _LINEAR_FROM else 1):
        c = _consensus(x, rate, trusted, degree, tolerance)
        basis = np.vander(x, degree + 1, increasing=True)
        for _ in range(_ROUNDS):
            w = (
                trusted * np.maximum(0, 1 - ((rate - basis @ c) / (1.5 * tolerance)) ** 2) ** 2
                + 1e-9 * trusted
            )
            ridge = np.diag([0.0] + [0.01 * w.sum()] * degree)
            c = np.linalg.solve(basis.T @ (w[:, None] * basis) + ridge, basis.T @ (w * rate))
        off = np.abs(rate - basis @ c)
        share = float(weights[off < tolerance].sum() / weights.sum())
        near = off < 1.5 * tolerance
        sigma = OVER_MEDIAN * float(np.median(off[near])) if near.any() else tolerance
        laws.append(Law(coefficients=c, middle=centre, half=half, sigma=sigma, share=share))
    best = laws[1] if len(laws) > 1 and laws[1].share > laws[0].share + _BETTER else laws[0]
    return best if best.share >= _LEAST_SHARE else None


def loose_law(
    steps: Sequence[tuple[float, float]],
    log_scale: NDArray[np.float64],
    sigma: NDArray[np.float64],
    *,
    radius: float,
) -> Law | None:
    """The law that links of very different ``sigma`` (of each log scale) obey about; None where it says next to nothing.

    For stacks in which few frames show anything sharp: what those say carries over the others, with what they differ by as
    the law's sigma.
    """
    if len(steps) < _LINEAR_FROM:
        return None
    first, second = np.array(steps, np.float64).T
    span = second - first
    rate, middle = log_scale / span, (first + second) / 2
    low, high = float(first.min()), float(second.max())
    centre, half, least = (low + high) / 2, max((high - low) / 2, 1.0), _LEAST_LOOSE / radius
    weights = 1 / ((sigma / span) ** 2 + least**2)
    basis = np.vander((middle - centre) / half, 2, increasing=True)
    ridge = np.diag([0.0, 0.1 * weights.sum()])
    c = np.linalg.solve(basis.T @ (weights[:, None] * basis) + ridge, basis.T @ (weights * rate))
    off = float(np.sqrt((weights @ (rate - basis @ c) ** 2) / weights.sum()))
    if off > _TELLING * abs(c[0]):
        return None
    rest = max(off, least)
    doubt = rest * float(np.sqrt((weights**2).sum()) / weights.sum())
    return Law(coefficients=c, middle=centre, half=half, sigma=rest, share=0.0, doubt=doubt)
