"""The fit of all frames' bends to the blocks of all links between them.

Each link's blocks tell the difference between two frames; the chain of all links carries them to the reference, a weak prior
on the change from frame to frame holds what nothing is known of. How weak it is for each kind of term, the links say
themselves: it is what makes them likeliest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.banded import ChainEquations
from nearfar.merge.register.fine import FineLink
from nearfar.merge.register.robust import weighted_median
from nearfar.merge.register.similarity import Similarity

F64 = NDArray[np.float64]
Complex = NDArray[np.complex128]
SIMILAR, TERMS = 4, 20
"""Real numbers of a frame; the first change its pose."""
_KINDS = {
    "similarity": (0, SIMILAR),
    "shear and stretch": (4, 6),
    "perspective": (6, 8),
    "other quadratic": (8, 12),
    "radial": (12, 13),
    "other cubic": (13, TERMS),
}
"""Which terms change alike from frame to frame."""
_FLOOR = 0.006
"""px by which a link errs beyond its noise, per frame between its ends and as blurred as its blocks are."""
_LOOSE = 2.0
"""px at the picture's RMS radius by which terms that change a pose may change from a frame to the next: hardly held."""
_STEPS = (0.003, 0.02, 0.1, 0.5, 2.5)
"""The same for the terms of any kind; the likeliest of these is taken."""
_START = (_LOOSE, 0.02, 0.1, 0.01, 0.1, 0.01)
"""Those of the kinds at first: what cameras and lenses do is likely, the rest is not."""
_ROUNDS = 3
"""Fits of all links, each with the frames bent as the one before says."""
INVERTED = 3
"""Rounds in which the place is found that a bend leads from."""
_PARTS, _FEW = 6, 4
"""Parts across a picture of which each is asked whether it lies apart, and the fewest blocks that can tell of one."""
_BLURRED = 2.0
"""Times as blurred as sharp blocks are: links from here on say nothing about parts."""
_CUT = 6.0
"""Multiple of the usual misfit at which a block's weight falls to a quarter."""
_CHI_MEDIAN = 1.386  # median of chi-squared with two degrees of freedom


@dataclass(frozen=True, kw_only=True)
class Bends:
    """Bends of all n frames, as the links between them tell."""

    terms: F64
    """(n, `TERMS`): px at the picture's RMS radius."""
    moved: F64
    """(n,): RMS px by which they displace what is measured in each frame."""
    doubt: F64
    """(n,): standard error of ``moved``, px."""
    left: F64
    """For each link, RMS px by which parts of the picture lie apart in it, bent; empty after a quick look."""
    apart: F64
    """The same as they are."""


@dataclass(frozen=True, kw_only=True)
class _Measured:
    """A link's blocks seen from the reference: basis (2, K, terms) and displacement (K, 2) in x and y, information (K, 3)
    xx, xy, yy. Products stay so small that the libraries' threads, which cost more than they save here, do not wake.
    """

    first: int
    second: int
    basis: F64
    shift: F64
    known: F64
    floor: float

    def rest(self, step: F64) -> F64:
        """(K, 2) displacement beyond a step's terms, of which there may be fewer than `TERMS`."""
        return np.stack([self.shift[:, k] - self.basis[k][:, : len(step)] @ step for k in (0, 1)], axis=1)


def _basis(z: Complex) -> Complex:
    """(K, `TERMS`) displacements at places in units of the RMS radius."""
    w = z.conj()
    x, y, zz, ww = z * z.real, z * z.imag, z * z, w * w
    each = [np.ones_like(z), z, w, x, x, ww, zz * w, zz * z, ww * z, ww * w]
    out = np.stack([f * unit for f in each for unit in (1, 1j)], axis=1)
    out[:, 7:10] = np.stack([y, 1j * x, 1j * y], axis=1)
    return np.asarray(out)


def _summed(basis: Complex, terms: F64) -> Complex:
    """``basis @ terms``, without the library's threads, which a complex product of this size wakes: 8 ms become .01."""
    return np.asarray(np.einsum("kt,t->k", basis, terms))


def displaced(z: Complex, terms: F64, radius: float) -> tuple[Complex, Complex]:
    """Displacement (K,) in px at places from the centre, and its slopes (K, terms). A tilted plane is not quadratic quite:
    z / (1 - f) = z + z f + z f^2 and so on, of which the third term is added here.
    """
    basis = _basis(z / radius)
    share = (terms[6] * z.real + terms[7] * z.imag) / radius**2
    return _summed(basis, terms) + z * share**2, basis


class _Fit:
    """The fit of one stack: links between frames whose ``poses`` lead from the reference."""

    def __init__(
        self, links: Sequence[FineLink], poses: Sequence[Similarity], reference: int, radius: float
    ) -> None:
        self.links, self.poses, self.reference, self.radius = links, poses, reference, radius
        self.reach = max((m.second - m.first for m in links), default=1)
        self.steps = np.repeat(_START, [last - first for first, last in _KINDS.values()])

    def measured(self, link: FineLink, terms: F64) -> _Measured:
        """A link's blocks, with the frames bent as ``terms`` say so far."""
        one, two = self.poses[link.first], self.poses[link.second]
        p = link.x + 1j * link.y
        flat = (p - one.t) / one.a
        z = flat
        bent = bool(terms.any())
        for _ in range(INVERTED if bent else 0):
            z = flat - displaced(z, terms[link.first], self.radius)[0]
        moved, basis = displaced(z, terms[link.second], self.radius)
        there = z + moved if bent else z
        back = link.pose.inverse()
        off = back.a * (two.a * there + two.t) + back.t - p
        shift = (link.residual[:, 0] + 1j * link.residual[:, 1] - off) / one.a
        if bent:
            shift = shift + _summed(basis, terms[link.second] - terms[link.first])
        return _Measured(
            first=link.first,
            second=link.second,
            basis=np.stack([basis.real, basis.imag]),
            shift=np.stack([shift.real, shift.imag], axis=1),
            known=link.known,
            floor=_FLOOR * (link.second - link.first) * link.doubt,
        )

    def chain(self, told: Sequence[tuple[F64, F64]], steps: F64) -> ChainEquations:
        """All equations, of links and of the walk from frame to frame."""
        count, terms, measured = len(self.poses), len(steps), self.links
        chain = ChainEquations(count, self.reach, terms)
        walk = np.diag(steps**-2)
        i = np.array([*(m.first for m in measured), *range(count - 1)])
        j = np.array([*(m.second for m in measured), *range(1, count)])
        normal = np.stack([*(t[0] for t in told), *[walk] * (count - 1)])
        pull = np.stack([*(t[1] for t in told), *[np.zeros(terms)] * (count - 1)])
        chain.add(i, i, normal)
        chain.add(j, j, normal)
        chain.add(i, j, -normal)
        chain.pull(j, pull)
        chain.pull(i, -pull)
        chain.hold(self.reference)
        return chain

    def likeliest(self, told: Sequence[tuple[F64, F64]]) -> None:
        """Let each kind of term change by as much as makes the links likeliest, the other kinds changing as they do."""
        best = self._evidence(told, self.steps)
        for first, last in 2 * list(_KINDS.values()):
            for step in _STEPS:
                tried = self.steps.copy()
                tried[first:last] = step
                found = self._evidence(told, tried)
                if found > best:
                    best, self.steps = found, tried

    def _evidence(self, told: Sequence[tuple[F64, F64]], steps: F64) -> float:
        """Logarithm of how likely the links are, all terms allowed for, but for a constant."""
        chain = self.chain(told, steps)
        fit = float((chain.solve().ravel() * chain.pulled().ravel()).sum())
        return (fit - chain.log_determinant()) / 2 - (len(self.poses) - 1) * float(np.log(steps).sum())

    def bends(self, rounds: int) -> Bends:
        """Terms after so many rounds. What they move leaves out what the links would change of poses without any bend."""
        count = len(self.poses)
        terms, similar = np.zeros((count, TERMS)), np.zeros((count, SIMILAR))
        straight = measured = [self.measured(link, terms) for link in self.links]
        for k in range(rounds):
            if k:
                measured = [self.measured(link, terms) for link in self.links]
            told = [_equations(m, terms[m.second] - terms[m.first]) for m in measured]
            if rounds > 1:
                self.likeliest(told)
            chain = self.chain(told, self.steps)
            terms = chain.solve()
            told = [_equations(m, similar[m.second] - similar[m.first]) for m in straight]
            similar = self.chain(told, np.full(SIMILAR, _LOOSE)).solve()
        more = terms.copy()
        more[:, :SIMILAR] -= similar
        return self._told(straight, measured, (terms, more), chain.marginals())

    def _told(
        self,
        straight: Sequence[_Measured],
        measured: Sequence[_Measured],
        found: tuple[F64, F64],
        covariance: F64,
    ) -> Bends:
        terms, more = found
        moved, doubt, total = (np.zeros(len(terms)) for _ in range(3))
        for m in measured:
            share = (m.known[:, 0] + m.known[:, 2]) / m.floor**2
            spread = sum((b.T @ (b * share[:, None]) for b in m.basis), np.zeros((TERMS, TERMS)))
            for k in (m.first, m.second):
                moved[k] += more[k] @ spread @ more[k]
                doubt[k] += np.trace(covariance[k] @ spread)
                total[k] += share.sum()
        total = np.maximum(total, 1e-300)
        return Bends(
            terms=terms,
            moved=np.sqrt(moved / total),
            doubt=np.sqrt(np.maximum(doubt, 0) / total),
            left=np.zeros(0) if straight is measured else np.array([_left(m, terms) for m in measured]),
            apart=np.array([_left(m, np.zeros_like(terms)) for m in straight]),
        )


def _trust(rest: F64, known: F64) -> tuple[F64, float]:
    """How far each block's remainder (K, 2) lets it be trusted, and by how much they vary more than they should."""
    a, b, c = known.T
    square = rest[:, 0] * (a * rest[:, 0] + b * rest[:, 1]) + rest[:, 1] * (b * rest[:, 0] + c * rest[:, 1])
    spread = max(weighted_median(square, a + c) / _CHI_MEDIAN, 0.3)
    return (1 + square / (_CUT * spread)) ** -2, spread


def _equations(m: _Measured, now: F64) -> tuple[F64, F64]:
    """Normal matrix and right-hand side of a link's step from its first frame to its second, which is ``now`` so far."""
    rest = m.rest(now)
    a, b, c = m.known.T
    trace = a + c
    trust, spread = _trust(rest, m.known)
    counted = trust * trace
    effective = counted.sum() ** 2 / max(float((counted**2).sum()), 1e-300)
    trust /= spread * (1 + 20 / max(effective, 1.0))
    x, y = (b[:, : len(now)] for b in m.basis)
    xx, xy, yy = ((trust * v)[:, None] for v in (a, b, c))
    of_x, of_y = xx * x + xy * y, xy * x + yy * y
    normal = x.T @ of_x + y.T @ of_y
    right = of_x.T @ m.shift[:, 0] + of_y.T @ m.shift[:, 1]
    held = np.eye(len(now)) + normal * m.floor**2
    both = np.linalg.solve(held, np.column_stack([normal, right]))
    return both[:, :-1], both[:, -1]


def _left(m: _Measured, terms: F64) -> float:
    """RMS px by which parts of the picture still lie apart in a link, less what chance makes of it."""
    if m.floor > _BLURRED * _FLOOR * (m.second - m.first):
        return 0.0
    rest = m.rest(terms[m.second] - terms[m.first])
    trust, _ = _trust(rest, m.known)
    weight = trust * (m.known[:, 0] + m.known[:, 2])
    column, row = (np.floor(m.basis[k][:, 2] * _PARTS / 3 + _PARTS / 2).astype(np.intp) for k in (0, 1))
    _, part = np.unique(row * 1000 + column, return_inverse=True)
    total, count = np.maximum(np.bincount(part, weight), 1e-100), np.bincount(part)
    mean = np.stack([np.bincount(part, weight * rest[:, k]) / total for k in (0, 1)], axis=1)
    share = weight / total[part]
    apart = np.bincount(part, share**2 * ((rest - mean[part]) ** 2).sum(axis=1))
    chance = apart * count / np.maximum(count - 1, 1)
    excess = np.where(count >= _FEW, (mean**2).sum(axis=1) - chance, 0)
    return float(np.sqrt(max(float(total @ excess) / float(total.sum()), 0.0)))


def find_bends(
    links: Sequence[FineLink],
    poses: Sequence[Similarity],
    reference: int,
    *,
    radius: float,
    rounds: int = _ROUNDS,
) -> Bends:
    """Fit all frames' bends to the links between them, whose ``poses`` lead from the reference."""
    return _Fit(links, poses, reference, radius).bends(rounds)
