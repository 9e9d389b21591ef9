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


@dataclass(frozen=True, kw_only=True)
class LinkedSequence:
    """The links of n frames in the order of their numbers, and where that order says nothing of breathing."""

    links: Sequence[Link]
    number: NDArray[np.float64]
    """(n,), the frames' numbers in the sequence."""
    broken: NDArray[np.bool_]
    """(n - 1,), steps that are no usual ones: frames are missing, or the focus is the same."""
    radius: float
    """RMS radius of the picture, px."""

    def law(self, covariance: NDArray[np.float64]) -> Law | None:
        """The law of breathing that the links outside breaks obey, if their ``covariance`` (m, 4, 4) is that; else None."""
        use = self._unbroken()
        if not use:
            return None
        return find_law(
            self._spans(use),
            self._logs(use),
            covariance[use, 2, 2] / self.radius**2,
            radius=self.radius,
            doubt=np.array([self.links[k].doubt for k in use]),
        )

    def loose_law(self, covariance: NDArray[np.float64]) -> Law | None:
        """A law of breathing that holds roughly, from the sharpest links; None unless some steps are hardly known
        without it.
        """
        use = self._unbroken()
        if not use or np.sort(self._step_sigma(covariance))[-_POOR_STEPS:].min() < _POOR:
            return None
        sigma = np.sqrt(covariance[use, 2, 2]) / self.radius
        return loose_law(self._spans(use), self._logs(use), sigma, radius=self.radius)

    def steps_of(
        self, law: Law | None, poses: Sequence[Similarity], covariance: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        """Mask (n - 1,) of the steps that the law applies to: all but those whose own links clearly contradict it.

        A rail that moves unevenly, an unknown missing frame and a lens that breathes back all show in ``poses`` from
        links alone. If more than a few of the well-known steps contradict the law, or there is none, it applies to no
        step.
        """
        if law is None:
            return np.zeros(max(len(poses) - 1, 0), np.bool_)
        sigma, number = self._step_sigma(covariance), self.number
        logs = np.log(np.abs(arrays(poses)[0]))
        off = np.abs(np.diff(logs) - law.at((number[1:] + number[:-1]) / 2) * np.diff(number)) * self.radius
        against = off > _SURE * np.hypot(sigma, _tolerance(law, self.radius))
        known = ~self.broken & (sigma < _KNOWN)
        if int((against & known).sum()) > _FEW * int(known.sum()):
            return np.zeros(len(sigma), np.bool_)
        return np.asarray(~self.broken & ~against)

    def _unbroken(self) -> list[int]:
        """Places of the full-size links that do not cross a break in the sequence."""
        run = np.concatenate([[0], np.cumsum(self.broken)])
        return [k for k, a in enumerate(self.links) if run[a.first] == run[a.second] and not a.coarse]

    def _spans(self, use: Sequence[int]) -> list[tuple[float, float]]:
        """Numbers of the first and the second frame of these links."""
        return [
            (float(self.number[self.links[k].first]), float(self.number[self.links[k].second])) for k in use
        ]

    def _logs(self, use: Sequence[int]) -> NDArray[np.float64]:
        """Log scale of these links."""
        return np.array([np.log(abs(self.links[k].pose.a)) for k in use])

    def _step_sigma(self, covariance: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard deviation of each step's scale by its own link, px at the RMS radius, (n - 1,); infinite without."""
        sigma = np.full(len(self.number) - 1, np.inf)
        for link, spread in zip(self.links, covariance, strict=True):
            if link.second == link.first + 1:
                sigma[link.first] = min(sigma[link.first], float(np.sqrt(spread[2, 2])))
        return sigma


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
