"""The adjustment of all poses to all links at once: Gauss-Newton on the group of similarities, with robust link weights."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.banded import ChainEquations
from nearfar.merge.register.breathing import Law
from nearfar.merge.register.even_steps import EvenSteps, LinkedSequence, add_law
from nearfar.merge.register.link import Link
from nearfar.merge.register.similarity import IDENTITY, Similarity, arrays

SHIFT_FLOOR = 0.004
"""Error of a link's shift beyond its noise, px per frame between its ends: blur that changes also changes a pattern."""
TURN_FLOOR = 0.004
"""The same in scale and roll, px at the picture's RMS radius."""
BLURRED = 4.0
"""`Link.doubt` from which scale and roll err more than in proportion, since what is sharp in neither frame seems to grow or
shrink. Only used if no law of breathing holds; otherwise the law determines the scale."""
LAW_FLOOR = 0.01
"""Error of a link, px per frame between its ends, assumed in deciding whether a law holds. It is the same for blurred
links: if they counted less, a wrong law would meet least resistance where it does most harm."""
FAINT, FAINTEST = 0.02, 4.0
"""px of noise from which a full-size link errs by more than its noise, in proportion up to so many times: what the sensor's
grid, its mosaic and lossy compression leave at the same place in each frame then weighs as much as what the scene shows.
Asked where reduced pictures, which see nothing of those, tell as well."""
_ROUNDS = 12  # of Gauss-Newton at the most
_TRUSTING = 2  # first rounds, in which poses are still too far off for misfits to tell good links from bad
_CHI_MEDIAN = 3.36  # median of chi-squared with four degrees of freedom
_CUT = 30.0  # multiple of the usual misfit at which a link's weight falls to a quarter
_LOOSE = 1e-6  # weight that holds each pose where it is, for frames without links
_LEAST_ROUNDS, _STILL = 5, 1e-4  # rounds that are always made; px of change below which later ones end


@dataclass(frozen=True, kw_only=True)
class Adjusted:
    """The adjusted poses of n frames, from m links."""

    poses: list[Similarity]
    """From the reference to each frame."""
    covariance: NDArray[np.float64]
    """(n, 4, 4), of each pose, px; scale and roll at the RMS radius."""
    trust: NDArray[np.float64]
    """(m,), robust weight of each link, 0..1."""
    link_covariance: NDArray[np.float64]
    """(m, 4, 4), of each link, in the same units."""
    law: Law | None
    """The law of breathing, if one was found."""


def spread(count: int, reference: int, links: Sequence[Link]) -> list[Similarity]:
    """First poses, following the shortest links outward from the reference; identity for frames that no link reaches."""
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


def _spreads(
    links: Sequence[Link], number: NDArray[np.float64], radius: float, *, blurred: float = np.inf
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two covariances (m, 4, 4) of the links, px: for fitting poses, and for finding a law. ``blurred``: see `BLURRED`."""
    units = np.array([1, 1, 1 / radius, 1 / radius])  # px -> (px, px, log scale, roll)
    known = np.array([link.information for link in links]).reshape(-1, 4, 4) * np.outer(units, units)
    noise = np.linalg.inv(known + 1e-6 * np.eye(4))
    steps = np.array([max(abs(number[link.second] - number[link.first]), 1) for link in links])
    doubt = np.array([link.doubt for link in links])
    floor = np.array([SHIFT_FLOOR, SHIFT_FLOOR, TURN_FLOOR, TURN_FLOOR])
    own = (steps * doubt)[:, None] * floor
    own[:, 2:] *= np.maximum(doubt / blurred, 1)[:, None]
    law = (LAW_FLOOR * steps) ** 2
    coarse = np.array([link.coarse for link in links], np.bool_)
    faint = np.where(coarse | ~coarse.any(), 0, noise[:, 0, 0] / FAINT**2)
    more = 1 + np.minimum(faint, FAINTEST**2 - 1)[:, None, None]
    astray = np.array([link.astray for link in links])[:, None, None] ** 2 * np.eye(4)
    own = own[:, :, None] ** 2 * np.eye(4)
    return more * noise + own + astray, noise + law[:, None, None] * np.eye(4) + astray


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
    """Find the poses of ``count`` frames that fit all links best.

    Parameters
    ----------
    count, reference
        Number of frames, and the place of the one whose pose is the identity.
    links
        Between places of frames.
    radius
        RMS radius of the picture, px.
    numbers
        Each frame's number in the sequence, by which steps are counted; the places if not given.
    repeats
        Places k whose next frame k + 1 has the same focus, so that no breathing is expected between them.
    breathing
        Whether a law of breathing is looked for.
    robust
        Whether links that fit badly count less.
    """
    number = np.arange(count, dtype=np.float64) if numbers is None else np.array(numbers, np.float64)
    spreads, told_by = _spreads(links, number, radius)
    poses = spread(count, reference, links)
    step_of = np.diff(number)
    broken = step_of != (np.median(step_of) if count > 1 else 1)
    broken[list(repeats)] = True
    problem = _Problem(
        links, np.asarray(np.linalg.inv(spreads)), poses, reference, radius=radius, robust=robust
    )
    solved = problem.solve(count, None)
    sequence = LinkedSequence(links=links, number=number, broken=broken, radius=radius)
    law = sequence.law(told_by) if breathing and not broken.all() else None
    kept = sequence.steps_of(law, solved.poses, told_by)
    if not kept.any() and breathing and not broken.all():
        weaker, _ = _spreads(links, number, radius, blurred=BLURRED)
        law = sequence.loose_law(weaker)
        kept = sequence.steps_of(law, solved.poses, weaker)
        if kept.any():
            spreads, problem.weights = weaker, np.asarray(np.linalg.inv(weaker))
    law = law if kept.any() else None
    if law is not None:
        solved = problem.solve(count, EvenSteps(law, number, kept, radius))
        solved.covariance[:, 2, 2] += ((number - number[reference]) * law.doubt * radius) ** 2
    return Adjusted(
        poses=solved.poses,
        covariance=solved.covariance,
        trust=solved.trust,
        link_covariance=spreads,
        law=law,
    )


@dataclass(frozen=True)
class _Solved:
    poses: list[Similarity]
    covariance: NDArray[np.float64]
    trust: NDArray[np.float64]


class _Problem:
    """The equations of all links, solved with or without a law of breathing."""

    def __init__(
        self,
        links: Sequence[Link],
        weights: NDArray[np.float64],
        start: list[Similarity],
        reference: int,
        *,
        radius: float,
        robust: bool,
    ) -> None:
        self.weights, self.poses = weights, start
        self.first = np.array([link.first for link in links], np.intp)
        self.second = np.array([link.second for link in links], np.intp)
        self.turn, self.shift = arrays([link.pose for link in links])
        self.reference, self.robust = reference, robust
        self.reach = int(np.abs(self.second - self.first).max(initial=1))
        self.to_px = np.array([1, 1, radius, radius])

    def solve(self, count: int, even: EvenSteps | None) -> _Solved:
        """Solve by Gauss-Newton, from the present poses."""
        trust = np.ones(len(self.first))
        for round_ in range(_ROUNDS):
            error, adjoint = self._parts()
            misfit = np.einsum("ki,kij,kj->k", error, self.weights, error)
            if self.robust and round_ >= _TRUSTING:
                scale = max(float(np.median(misfit)) / _CHI_MEDIAN, 1.0)
                trust = 1 / (1 + misfit / (scale * _CUT)) ** 2
            equations = ChainEquations(count, self.reach)
            self._add_links(equations, trust[:, None, None] * self.weights, error, adjoint)
            if even is not None:
                add_law(equations, even, self.poses)
            every = np.arange(count)
            equations.add(every, every, np.broadcast_to(_LOOSE * np.eye(4), (count, 4, 4)))
            equations.hold(self.reference)
            change = equations.solve()
            turns, shifts = arrays(self.poses)
            step = 1 + (change[:, 2] + 1j * change[:, 3]) / self.to_px[2]
            moved_to = step * shifts + change[:, 0] + 1j * change[:, 1]
            self.poses = [
                Similarity(*p) for p in zip((step * turns).tolist(), moved_to.tolist(), strict=True)
            ]
            if round_ >= _LEAST_ROUNDS and np.abs(change).max() < _STILL:
                break
        marginal = equations.marginals()
        marginal[self.reference] = 0
        return _Solved(self.poses, marginal, trust)

    def _parts(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Each link's error (m, 4), and the adjoint (m, 4, 4) that carries a change of its second frame's pose to the
        first frame's coordinates; both in px.
        """
        turns, shifts = arrays(self.poses)
        turn = turns[self.second] / turns[self.first]
        shift = shifts[self.second] - turn * shifts[self.first]
        t, a = (self.shift - shift) / turn, self.turn / turn
        error = np.stack([t.real, t.imag, a.real - 1, a.imag], axis=1) * self.to_px
        q, z = 1 / turn, shift / turn
        adjoint = np.zeros((len(turn), 4, 4))
        adjoint[:, 0, 0] = adjoint[:, 1, 1] = q.real
        adjoint[:, 1, 0], adjoint[:, 0, 1] = q.imag, -q.imag
        adjoint[:, 0, 2] = adjoint[:, 1, 3] = z.real
        adjoint[:, 1, 2], adjoint[:, 0, 3] = z.imag, -z.imag
        adjoint[:, 2, 2] = adjoint[:, 3, 3] = 1
        return error, self.to_px[:, None] * adjoint / self.to_px

    def _add_links(
        self,
        equations: ChainEquations,
        weight: NDArray[np.float64],
        error: NDArray[np.float64],
        adjoint: NDArray[np.float64],
    ) -> None:
        """Add the equation of each link, adjoint x_second - x_first = error."""
        i, j = self.first, self.second
        back = adjoint.swapaxes(1, 2) @ weight
        equations.add(i, i, weight)
        equations.add(j, j, back @ adjoint)
        ahead = i < j
        equations.add(i[ahead], j[ahead], -(weight @ adjoint)[ahead])
        equations.add(j[~ahead], i[~ahead], -back[~ahead])
        equations.pull(i, -(weight @ error[..., None])[..., 0])
        equations.pull(j, (back @ error[..., None])[..., 0])
