"""Where the law of breathing applies: it is found from links, and adds an equation for the scale of each even step.

Not every step is even: a rail may move unevenly, a frame be missing unknown to anybody, or a lens breathe back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.banded import ChainEquations
from nearfar.merge.register.breathing import Law, find_law, loose_law
from nearfar.merge.register.link import Link
from nearfar.merge.register.similarity import Similarity, arrays

_LEAST_TAU = 0.002  # px at the RMS radius: smallest tolerance of the law
_SURE = 4.0  # standard deviations by which a step must differ from the law to be exempt from it
_KNOWN = 0.03  # px at the RMS radius: steps known this well decide whether the law holds
_FEW = 0.3  # share of these steps that may differ from it
_POOR = 0.1  # px at the RMS radius: steps known no better than this are hardly known
_POOR_STEPS = 2  # so many of them are reason to look for a law that holds only roughly


@dataclass(frozen=True)
class EvenSteps:
    """The law of breathing, and the steps that it applies to."""

    law: Law
    number: NDArray[np.float64]
    """(n,), the frames' numbers in the sequence."""
    steps: NDArray[np.bool_]
    """(n - 1,), to which steps the law applies."""
    radius: float
    """RMS radius of the picture, px."""


def law_of(
    links: Sequence[Link],
    numbers: NDArray[np.float64],
    broken: NDArray[np.bool_],
    covariance: NDArray[np.float64],
    radius: float,
) -> Law | None:
    """The law of breathing that the links outside breaks obey; None if they obey none."""
    use = _unbroken(links, broken)
    if not use:
        return None
    return find_law(
        _steps(links, use, numbers),
        np.array([np.log(abs(links[k].pose.a)) for k in use]),
        covariance[use, 2, 2] / radius**2,
        radius=radius,
        doubt=np.array([links[k].doubt for k in use]),
    )


def loose_law_of(
    links: Sequence[Link],
    numbers: NDArray[np.float64],
    broken: NDArray[np.bool_],
    spreads: NDArray[np.float64],
    radius: float,
) -> Law | None:
    """A law of breathing that holds roughly, from the sharpest links; None unless some steps are hardly known without it."""
    use = _unbroken(links, broken)
    if not use or np.sort(_step_sigma(links, spreads, len(numbers)))[-_POOR_STEPS:].min() < _POOR:
        return None
    logs = np.array([np.log(abs(links[k].pose.a)) for k in use])
    return loose_law(_steps(links, use, numbers), logs, np.sqrt(spreads[use, 2, 2]) / radius, radius=radius)


def _unbroken(links: Sequence[Link], broken: NDArray[np.bool_]) -> list[int]:
    """Places of the full-size links that do not cross a break in the sequence."""
    run = np.concatenate([[0], np.cumsum(broken)])
    return [k for k, link in enumerate(links) if run[link.first] == run[link.second] and not link.coarse]


def _steps(
    links: Sequence[Link], use: Sequence[int], numbers: NDArray[np.float64]
) -> list[tuple[float, float]]:
    return [(float(numbers[links[k].first]), float(numbers[links[k].second])) for k in use]


def _step_sigma(links: Sequence[Link], covariance: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Standard deviation of each step's scale by its own link, px at the RMS radius, (count - 1,); infinite without one."""
    sigma = np.full(count - 1, np.inf)
    for link, spread in zip(links, covariance, strict=True):
        if link.second == link.first + 1:
            sigma[link.first] = min(sigma[link.first], float(np.sqrt(spread[2, 2])))
    return sigma


def steps_of_law(
    law: Law | None,
    poses: Sequence[Similarity],
    links: Sequence[Link],
    covariance: NDArray[np.float64],
    number: NDArray[np.float64],
    broken: NDArray[np.bool_],
    radius: float,
) -> NDArray[np.bool_]:
    """Mask (n - 1,) of the steps that the law applies to: all but those whose own links clearly contradict it.

    A rail that moves unevenly, an unknown missing frame and a lens that breathes back all show in poses from links alone.
    If more than a few of the well-known steps contradict the law, or there is none, it applies to no step.
    """
    if law is None:
        return np.zeros(max(len(poses) - 1, 0), np.bool_)
    sigma = _step_sigma(links, covariance, len(poses))
    logs = np.log(np.abs(arrays(poses)[0]))
    off = np.abs(np.diff(logs) - law.at((number[1:] + number[:-1]) / 2) * np.diff(number)) * radius
    against = off > _SURE * np.hypot(sigma, _tolerance(law, radius))
    known = ~broken & (sigma < _KNOWN)
    if int((against & known).sum()) > _FEW * int(known.sum()):
        return np.zeros(len(sigma), np.bool_)
    return np.asarray(~broken & ~against)


def add_law(equations: ChainEquations, even: EvenSteps, poses: Sequence[Similarity]) -> None:
    """Add the equation of each step: its log scale is the law's, within the tolerance."""
    radius, number = even.radius, even.number
    tau = _tolerance(even.law, radius)
    logs = np.log(np.abs(arrays(poses)[0]))
    expected = even.law.at((number[1:] + number[:-1]) / 2) * np.diff(number)
    steps = np.flatnonzero(even.steps)
    pick = np.zeros((len(steps), 4, 4))
    pick[:, 2, 2] = 1 / tau**2
    equations.add(steps, steps, pick)
    equations.add(steps + 1, steps + 1, pick)
    equations.add(steps, steps + 1, -pick)
    pull = np.zeros((len(steps), 4))
    pull[:, 2] = ((expected - np.diff(logs)) * radius / tau**2)[steps]
    equations.pull(steps, -pull)
    equations.pull(steps + 1, pull)


def _tolerance(law: Law, radius: float) -> float:
    return max(0.5 * law.sigma * radius, _LEAST_TAU)
