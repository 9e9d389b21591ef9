"""The adjustment of all poses to all links at once: Gauss-Newton on the group of similarities, with robust link weights."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.banded import ChainEquations
from nearfar.merge.register.breathing import Law, find_law, loose_law
from nearfar.merge.register.similarity import IDENTITY, Similarity

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
_ROUNDS = 12
_CHI_MEDIAN = 3.36  # median of chi-squared with four degrees of freedom
_CUT = 30.0  # multiple of the usual misfit at which a link's weight falls to a quarter
_LEAST_TAU = 0.002  # px at the RMS radius: smallest tolerance of the law
_LOOSE = 1e-6  # weight that holds each pose where it is, for frames without links
_LEAST_ROUNDS, _STILL = 5, 1e-4  # rounds that are always made; px of change below which later ones end
_SURE = 4.0  # standard deviations by which a step must differ from the law to be exempt from it
_KNOWN = 0.03  # px at the RMS radius: steps known this well decide whether the law holds
_FEW = 0.3  # share of these steps that may differ from it
_POOR, _POOR_STEPS = (
    0.1,
    2,
)  # px at the RMS radius; with this many steps known no better, a law that holds only roughly is looked for


@dataclass(frozen=True, kw_only=True)
class Link:
    """The measured pose from one frame to another."""

    first: int
    second: int
    pose: Similarity
    information: NDArray[np.float64]
    """(4, 4), inverse covariance of (x, y, log scale, roll)."""
    doubt: float = 1.0
    """How many times the usual error, beyond its noise, the link may have."""
    coarse: bool = False
    """From reduced pictures: their scale changes too much with refocusing to say anything about a law of breathing."""


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


def _unbroken(links: Sequence[Link], broken: NDArray[np.bool_]) -> list[int]:
    """Places of the full-size links that do not cross a break in the sequence."""
    run = np.concatenate([[0], np.cumsum(broken)])
    return [k for k, link in enumerate(links) if run[link.first] == run[link.second] and not link.coarse]


def _steps(
    links: Sequence[Link], use: Sequence[int], numbers: NDArray[np.float64]
) -> list[tuple[float, float]]:
    return [(float(numbers[links[k].first]), float(numbers[links[k].second])) for k in use]


def _loose_law_of(
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


def _law_of(
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
    return more * noise + own[:, :, None] ** 2 * np.eye(4), noise + law[:, None, None] * np.eye(4)


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
    law = _law_of(links, number, broken, told_by, radius) if breathing and not broken.all() else None
    kept = _kept(law, solved.poses, links, told_by, number, broken, radius)
    if not kept.any() and breathing and not broken.all():
        weaker, _ = _spreads(links, number, radius, blurred=BLURRED)
        law = _loose_law_of(links, number, broken, weaker, radius)
        kept = _kept(law, solved.poses, links, weaker, number, broken, radius)
        if kept.any():
            spreads, problem.weights = weaker, np.asarray(np.linalg.inv(weaker))
    law = law if kept.any() else None
    if law is not None:
        solved = problem.solve(count, _Even(law, number, kept, radius))
        solved.covariance[:, 2, 2] += ((number - number[reference]) * law.doubt * radius) ** 2
    return Adjusted(
        poses=solved.poses,
        covariance=solved.covariance,
        trust=solved.trust,
        link_covariance=spreads,
        law=law,
    )


@dataclass(frozen=True)
class _Even:
    """The law of breathing, and the steps that it applies to."""

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
        self.turn, self.shift = _arrays([link.pose for link in links])
        self.reference, self.robust = reference, robust
        self.reach = int(np.abs(self.second - self.first).max(initial=1))
        self.to_px = np.array([1, 1, radius, radius])

    def solve(self, count: int, even: _Even | None) -> _Solved:
        """Solve by Gauss-Newton, from the present poses."""
        trust = np.ones(len(self.first))
        for round_ in range(_ROUNDS):
            error, adjoint = self._parts()
            misfit = np.einsum("ki,kij,kj->k", error, self.weights, error)
            if self.robust and round_ >= 2:
                scale = max(float(np.median(misfit)) / _CHI_MEDIAN, 1.0)
                trust = 1 / (1 + misfit / (scale * _CUT)) ** 2
            equations = ChainEquations(count, self.reach)
            self._add_links(equations, trust[:, None, None] * self.weights, error, adjoint)
            if even is not None:
                _add_law(equations, even, self.poses)
            every = np.arange(count)
            equations.add(every, every, np.broadcast_to(_LOOSE * np.eye(4), (count, 4, 4)))
            equations.hold(self.reference)
            change = equations.solve()
            turns, shifts = _arrays(self.poses)
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
        turns, shifts = _arrays(self.poses)
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


def _arrays(poses: Sequence[Similarity]) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """The complex factors a and the shifts t of poses z -> a z + t, (n,) each."""
    both = np.array(poses, np.complex128).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _step_sigma(links: Sequence[Link], covariance: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Standard deviation of each step's scale by its own link, px at the RMS radius, (count - 1,); infinite without one."""
    sigma = np.full(count - 1, np.inf)
    for link, spread in zip(links, covariance, strict=True):
        if link.second == link.first + 1:
            sigma[link.first] = min(sigma[link.first], float(np.sqrt(spread[2, 2])))
    return sigma


def _kept(
    law: Law | None,
    poses: Sequence[Similarity],
    links: Sequence[Link],
    covariance: NDArray[np.float64],
    number: NDArray[np.float64],
    broken: NDArray[np.bool_],
    radius: float,
) -> NDArray[np.bool_]:
    """`steps_of_law`, or no step if there is no law."""
    if law is None:
        return np.zeros(max(len(poses) - 1, 0), np.bool_)
    return steps_of_law(law, poses, links, covariance, number, broken, radius)


def steps_of_law(
    law: Law,
    poses: Sequence[Similarity],
    links: Sequence[Link],
    covariance: NDArray[np.float64],
    number: NDArray[np.float64],
    broken: NDArray[np.bool_],
    radius: float,
) -> NDArray[np.bool_]:
    """Mask (n - 1,) of the steps that the law applies to: all but those whose own links clearly contradict it.

    A rail that moves unevenly, an unknown missing frame and a lens that breathes back all show in poses from links alone.
    If more than a few of the well-known steps contradict the law, it applies to none.
    """
    sigma = _step_sigma(links, covariance, len(poses))
    logs = np.log(np.abs(_arrays(poses)[0]))
    off = np.abs(np.diff(logs) - law.at((number[1:] + number[:-1]) / 2) * np.diff(number)) * radius
    against = off > _SURE * np.hypot(sigma, _tolerance(law, radius))
    known = ~broken & (sigma < _KNOWN)
    if int((against & known).sum()) > _FEW * int(known.sum()):
        return np.zeros(len(sigma), np.bool_)
    return np.asarray(~broken & ~against)


def _tolerance(law: Law, radius: float) -> float:
    return max(0.5 * law.sigma * radius, _LEAST_TAU)


def _add_law(equations: ChainEquations, even: _Even, poses: Sequence[Similarity]) -> None:
    """Add the equation of each step: its log scale is the law's, within the tolerance."""
    radius, number = even.radius, even.number
    tau = _tolerance(even.law, radius)
    logs = np.log(np.abs(_arrays(poses)[0]))
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
