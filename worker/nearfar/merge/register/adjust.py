"""One adjustment of all poses to all links: Gauss-Newton on the group of similarities, with robust link weights."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.banded import ChainEquations
from nearfar.merge.register.breathing import Law, find_law
from nearfar.merge.register.similarity import IDENTITY, Similarity

SHIFT_FLOOR = 0.004
"""px by which a link errs beyond its noise, per frame between its ends: what a change of blur does to a pattern."""
TURN_FLOOR = 0.004
"""The same in scale and roll, px at the picture's RMS radius."""
LAW_FLOOR = 0.01
"""px per frame by which links are taken to err when they say whether there is a law: no less for being blurred, since a
law that does not hold would then find least resistance where it does most harm."""
_ROUNDS = 12
_CHI_MEDIAN = 3.36  # median of chi-squared with four degrees of freedom
_CUT = 30.0
_LEAST_TAU = 0.002  # px at the RMS radius
_LOOSE = 1e-6
_LEAST_ROUNDS, _STILL = 5, 1e-4  # px
_SURE = 4.0  # standard deviations by which a step must leave the law to be let go
_KNOWN = 0.03  # px at the RMS radius: steps known so well tell whether there is a law
_FEW = 0.3


@dataclass(frozen=True, kw_only=True)
class Link:
    """Measured pose from frame ``first`` to frame ``second``; information about (x, y, log scale, roll).

    ``doubt``: times the usual by which it may err beyond its noise.
    """

    first: int
    second: int
    pose: Similarity
    information: NDArray[np.float64]
    doubt: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Adjusted:
    """Poses from the reference; covariance (n, 4, 4) of each in px (scale and roll at the RMS radius); how far each
    link is trusted (0..1); covariance (m, 4, 4) of the links in the same units; the law of breathing if one was found.
    """

    poses: list[Similarity]
    covariance: NDArray[np.float64]
    trust: NDArray[np.float64]
    link_covariance: NDArray[np.float64]
    law: Law | None


def spread(count: int, reference: int, links: Sequence[Link]) -> list[Similarity]:
    """Poses along the shortest links outward from the reference; identity where none leads."""
    near: dict[int, list[tuple[int, Similarity]]] = {}
    for link in links:
        near.setdefault(link.first, []).append((link.second, link.pose))
        near.setdefault(link.second, []).append((link.first, link.pose.inverse()))
    poses = {reference: IDENTITY}
    heap: list[tuple[int, int, int, int]] = []
    order = 0
    newest = reference
    while True:
        for index, (place, _) in enumerate(near.get(newest, [])):
            heapq.heappush(heap, (abs(place - newest), order, newest, index))
            order += 1
        while heap:
            _, _, start, index = heapq.heappop(heap)
            place, step = near[start][index]
            if place not in poses:
                poses[place] = step.after(poses[start])
                newest = place
                break
        else:
            return [poses.get(k, IDENTITY) for k in range(count)]


def _residual(link: Link, poses: Sequence[Similarity]) -> tuple[NDArray[np.float64], Similarity]:
    predicted = poses[link.second].after(poses[link.first].inverse())
    error = predicted.inverse().after(link.pose)
    return np.array([error.t.real, error.t.imag, error.a.real - 1, error.a.imag]), predicted


def _adjoint(predicted: Similarity) -> NDArray[np.float64]:
    """How a change of the second frame's pose shows in the first frame's coordinates."""
    q, z = 1 / predicted.a, predicted.t / predicted.a
    return np.array(
        [[q.real, -q.imag, z.real, -z.imag], [q.imag, q.real, z.imag, z.real], [0, 0, 1, 0], [0, 0, 0, 1]]
    )


def _law_of(
    links: Sequence[Link],
    numbers: NDArray[np.float64],
    broken: NDArray[np.bool_],
    covariance: NDArray[np.float64],
    radius: float,
) -> Law | None:
    """The law of breathing that links within unbroken runs obey."""
    run = np.concatenate([[0], np.cumsum(broken)])
    use = [k for k, link in enumerate(links) if run[link.first] == run[link.second]]
    if not use:
        return None
    return find_law(
        [(float(numbers[links[k].first]), float(numbers[links[k].second])) for k in use],
        np.array([np.log(abs(links[k].pose.a)) for k in use]),
        covariance[use, 2, 2] / radius**2,
        radius=radius,
    )


def adjust(
    count: int,
    reference: int,
    links: Sequence[Link],
    *,
    radius: float,
    numbers: Sequence[int] | None = None,
    repeats: Sequence[int] = (),
    breathing: bool = False,
    robust: bool = True,
) -> Adjusted:
    """Poses of ``count`` frames that fit all links best.

    Parameters
    ----------
    radius
        RMS radius of the picture, px.
    numbers
        Each frame's number in the sequence; steps are counted by it.
    repeats
        Places k whose next frame k + 1 shows the same focus: no breathing is expected there.
    """
    number = np.arange(count, dtype=np.float64) if numbers is None else np.array(numbers, np.float64)
    units = np.diag([1, 1, 1 / radius, 1 / radius])  # px -> (px, px, log scale, roll)
    weights, covariance, told = [], [], []
    for link in links:
        steps = abs(number[link.second] - number[link.first])
        floor = np.array([SHIFT_FLOOR, SHIFT_FLOOR, TURN_FLOOR, TURN_FLOOR]) * max(steps, 1) * link.doubt
        noise = np.linalg.inv(units @ link.information @ units + 1e-6 * np.eye(4))
        covariance.append(noise + np.diag(floor**2))
        told.append(noise + (LAW_FLOOR * max(steps, 1)) ** 2 * np.eye(4))
        weights.append(np.linalg.inv(covariance[-1]))
    poses = spread(count, reference, links)
    step_of = np.diff(number)
    broken = step_of != (np.median(step_of) if count > 1 else 1)
    broken[list(repeats)] = True
    spreads = np.array(covariance).reshape(-1, 4, 4)
    problem = _Problem(links, weights, poses, reference, radius=radius, robust=robust)
    solved = problem.solve(count, None)
    told_by = np.array(told).reshape(-1, 4, 4)
    law = _law_of(links, number, broken, told_by, radius) if breathing and not broken.all() else None
    if law is not None:
        kept = steps_of_law(law, solved.poses, links, told_by, number, broken, radius)
        law = law if kept.any() else None
    if law is not None:
        solved = problem.solve(count, _Even(law, number, kept, radius))
    return Adjusted(
        poses=solved.poses,
        covariance=solved.covariance,
        trust=solved.trust,
        link_covariance=spreads,
        law=law,
    )


@dataclass(frozen=True)
class _Even:
    """The law, and the steps that it is asked of."""

    law: Law
    number: NDArray[np.float64]
    steps: NDArray[np.bool_]
    radius: float


@dataclass(frozen=True)
class _Solved:
    poses: list[Similarity]
    covariance: NDArray[np.float64]
    trust: NDArray[np.float64]


class _Problem:
    """All links; solved with or without a law."""

    def __init__(
        self,
        links: Sequence[Link],
        weights: Sequence[NDArray[np.float64]],
        start: list[Similarity],
        reference: int,
        *,
        radius: float,
        robust: bool,
    ) -> None:
        self.links, self.weights, self.poses = links, weights, start
        self.reference, self.radius, self.robust = reference, radius, robust
        self.reach = max((abs(link.second - link.first) for link in links), default=1)
        self.to_px, self.from_px = np.diag([1, 1, radius, radius]), np.diag([1, 1, 1 / radius, 1 / radius])

    def solve(self, count: int, even: _Even | None) -> _Solved:
        """Rounds of Gauss-Newton from where the poses are."""
        trust = np.ones(len(self.links))
        for round_ in range(_ROUNDS):
            equations = ChainEquations(count, self.reach)
            parts = [self._part(link) for link in self.links]
            misfit = np.array([e @ w @ e for (e, _), w in zip(parts, self.weights, strict=True)])
            if self.robust and round_ >= 2:
                scale = max(float(np.median(misfit)) / _CHI_MEDIAN, 1.0)
                trust = 1 / (1 + misfit / (scale * _CUT)) ** 2
            for link, part, weight, share in zip(self.links, parts, self.weights, trust, strict=True):
                _add_link(equations, link, share * weight, *part)
            if even is not None:
                _add_law(equations, even, self.poses)
            for k in range(count):
                equations.add(k, k, _LOOSE * np.eye(4))
            equations.hold(self.reference)
            change, marginal = equations.solve()
            change = change @ self.from_px
            self.poses = [
                Similarity(1 + d[2] + 1j * d[3], complex(d[0], d[1])).after(p)
                for d, p in zip(change, self.poses, strict=True)
            ]
            moved = max(np.abs(change[:, :2]).max(), np.abs(change[:, 2:]).max() * self.radius)
            if round_ >= _LEAST_ROUNDS and moved < _STILL:
                break
        marginal[self.reference] = 0
        return _Solved(self.poses, marginal, trust)

    def _part(self, link: Link) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        error, predicted = _residual(link, self.poses)
        return self.to_px @ error, self.to_px @ _adjoint(predicted) @ self.from_px


def steps_of_law(
    law: Law,
    poses: Sequence[Similarity],
    links: Sequence[Link],
    covariance: NDArray[np.float64],
    number: NDArray[np.float64],
    broken: NDArray[np.bool_],
    radius: float,
) -> NDArray[np.bool_]:
    """Steps (n - 1,) of which the law is asked: not where links of their own say surely that it does not hold.

    A rail that moves unevenly, a frame that nobody knows is missing, and a lens that breathes back all show in the
    poses that links alone give. Where more than a few of the surely known steps are of that kind, none is asked.
    """
    sigma = np.full(len(poses) - 1, np.inf)
    for link, spread in zip(links, covariance, strict=True):
        if link.second == link.first + 1:
            sigma[link.first] = min(sigma[link.first], float(np.sqrt(spread[2, 2])))
    logs = np.array([np.log(abs(p.a)) for p in poses])
    off = np.abs(np.diff(logs) - law.at((number[1:] + number[:-1]) / 2) * np.diff(number)) * radius
    against = off > _SURE * np.hypot(sigma, _tolerance(law, radius))
    known = ~broken & (sigma < _KNOWN)
    if int((against & known).sum()) > _FEW * int(known.sum()):
        return np.zeros(len(sigma), np.bool_)
    return np.asarray(~broken & ~against)


def _tolerance(law: Law, radius: float) -> float:
    return max(0.5 * law.sigma * radius, _LEAST_TAU)


def _add_link(
    equations: ChainEquations,
    link: Link,
    weight: NDArray[np.float64],
    error: NDArray[np.float64],
    adjoint: NDArray[np.float64],
) -> None:
    """The link says: adjoint x_second - x_first = error."""
    i, j = link.first, link.second
    back = adjoint.T @ weight
    equations.add(i, i, weight)
    equations.add(j, j, back @ adjoint)
    if i < j:
        equations.add(i, j, -(weight @ adjoint))
    else:
        equations.add(j, i, -back)
    equations.pull(i, -weight @ error)
    equations.pull(j, back @ error)


def _add_law(equations: ChainEquations, even: _Even, poses: Sequence[Similarity]) -> None:
    """Each step's log scale is what the law says, within its tolerance."""
    radius, number = even.radius, even.number
    tau = _tolerance(even.law, radius)
    logs = np.array([np.log(abs(p.a)) for p in poses])
    expected = even.law.at((number[1:] + number[:-1]) / 2) * np.diff(number)
    pick = np.zeros((4, 4))
    for k in np.flatnonzero(even.steps).tolist():
        pick[2, 2] = 1 / tau**2
        equations.add(k, k, pick)
        equations.add(k + 1, k + 1, pick)
        equations.add(k, k + 1, -pick)
        pull = np.array([0, 0, (expected[k] - logs[k + 1] + logs[k]) * radius / tau**2, 0])
        equations.pull(k, -pull)
        equations.pull(k + 1, pull)
