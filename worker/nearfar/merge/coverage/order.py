"""Whether the frames come in the order of their focus: by which frames are alike in what they have sharp.

In order, every place grows sharp once and soft again, and the way from a frame that has nothing sharp through all frames
back to it is as short as can be: twice the sharpest of each place. A shorter way through the same frames in another
order says that they were mixed up.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.longest_run import longest_run
from nearfar.merge.coverage.curves import SURE, Curves

F64 = NDArray[np.float64]

GAIN = 0.5
"""A frame is put elsewhere if the way becomes shorter by so much of the usual step."""
WAVE = 0.25
"""... and by this share of what the best way has too much: hairs before a ground make places sharp twice in any order."""
ONE_TURN = 3.0
"""... and by so many times as much if all that is wrong is that an end of the stack runs backwards: over a wide gap it
makes little difference which end of it follows."""
SWEEP = 0.5
"""Share of all places that a sweep goes through."""
FEWEST_CELLS = 40
"""Places that must be sharp in some frame; fewer do not tell an order."""
MOST_FRAMES = 400
"""In longer stacks the order is not looked at: the search grows with the square."""


def unlikeness(curves: Curves) -> tuple[F64, float] | None:
    """How differently sharp each two frames are, (n + 1, n + 1), 0..1, the last being one that has nothing sharp,
    and the shortest way through all that could be; None where too little is sharp to tell.

    Takes time that grows with the square of the number of frames.
    """
    peak = curves.sample.max(axis=0)
    shares = []
    for band in range(curves.sample.shape[1]):
        sure = peak[band] > SURE * curves.sample_floor[band]
        shares.append(np.sqrt(curves.sample[:, band, sure] / np.maximum(peak[band, sure], 1e-20)))
    share = np.concatenate(shares, axis=1)
    share = np.concatenate([share, np.zeros_like(share[:1])])
    if share.shape[1] < FEWEST_CELLS:
        return None
    unlike = np.stack([np.abs(share - one).mean(axis=1) for one in share]).astype(np.float64)
    return unlike, 2 * float(share.max(axis=0).mean())


def better_order(curves: Curves) -> list[int] | None:
    """The order of the frames by what they have sharp, in the direction that they were given; None where it is the
    given one, or nothing tells: fewer than 4 or more than `MOST_FRAMES` frames, or too little that is sharp.

    Returns places in the given order, from 0.
    """
    n = curves.frames
    if not 4 <= n <= MOST_FRAMES:
        return None
    told = unlikeness(curves)
    if told is None:
        return None
    unlike, shortest = told
    given = list(range(n))
    found = _settled(unlike, given)
    anew = _settled(unlike, _along(unlike[:n, :n]))
    gain = GAIN * _usual(unlike, anew)
    if _way(unlike, anew) < _way(unlike, found) - gain:
        found = anew
    gain = max(gain, WAVE * (_way(unlike, found) - shortest))
    if _way(unlike, found) > _way(unlike, given) - gain * (ONE_TURN if _one_turn(found) else 1):
        return None
    # what is right has no wider step: a mesh before a view is sharp twice, with nothing between
    if _widest(unlike, found) > _widest(unlike, given) + GAIN * _usual(unlike, found):
        return None
    if len(moved(found)) > len(moved(found[::-1])):
        found = found[::-1]
    return found if moved(found) else None


def _one_turn(order: Sequence[int]) -> bool:
    """Whether an order is one run that rises and one that falls."""
    steps = np.diff(order)
    return bool(np.count_nonzero(np.abs(steps) != 1) <= 1 and (steps == 1).any() and (steps == -1).any())


def moved(order: Sequence[int]) -> list[int]:
    """Frames that stand elsewhere than in the given order: those outside the longest run that only rises."""
    return sorted(set(order) - {order[k] for k in longest_run(order)})


def sweeps(order: Sequence[int]) -> list[tuple[int, int]]:
    """First and last frame of each sweep, if the frames go through the focus several times, there or back; else empty.

    Every sweep is at least half as long as the way from the nearest to the farthest of all frames, and leaves out no more
    than the other sweeps hold there.
    """
    place = np.argsort(order)
    rises = np.sign(np.diff(place))
    turns = [0, *(np.flatnonzero(np.diff(rises)) + 1).tolist(), len(rises)]
    found: list[tuple[int, int]] = []
    for start, end in pairwise(turns):
        if end - start == 1 and start > 0 and end < len(rises):
            continue  # back to where the next sweep begins
        if abs(place[end] - place[start]) < SWEEP * (len(order) - 1):
            return []
        found.append((start + 1 if found and found[-1][1] == start else start, end))
    wide = max((abs(place[k + 1] - place[k]) for a, b in found for k in range(a, b)), default=0)
    return found if len(found) > 1 and wide <= len(found) + 1 else []


def _way(unlike: F64, order: Sequence[int]) -> float:
    """Through all frames in that order, from nothing sharp and back to it."""
    return float(unlike[[-1, *order], [*order, -1]].sum())


def _widest(unlike: F64, order: Sequence[int]) -> float:
    return float(unlike[list(order[:-1]), list(order[1:])].max())


def _usual(unlike: F64, order: Sequence[int]) -> float:
    return float(np.median(unlike[list(order[:-1]), list(order[1:])]))


def _along(unlike: F64) -> list[int]:
    """Frames along the slowest change: the second eigenvector of the graph's Laplacian (Atkins, Boman and Hendrickson,
    A Spectral Algorithm for Seriation, 1998, from memory).
    """
    usual = np.median(unlike[unlike > 0]) if (unlike > 0).any() else 1.0
    alike = np.exp(-((unlike / (0.5 * usual)) ** 2))
    laplacian = np.diag(alike.sum(axis=1)) - alike
    return [int(k) for k in np.argsort(np.linalg.eigh(laplacian)[1][:, 1], kind="stable")]


def _settled(unlike: F64, start: Sequence[int]) -> list[int]:
    """``start`` with single frames put elsewhere and runs turned round, as long as the way becomes enough shorter."""
    order = list(start)
    for _ in range(4 * len(order)):
        least = GAIN * _usual(unlike, order)
        moves = _best_move(unlike, order), _best_turn(unlike, order)
        gain, better = max(moves, key=lambda m: m[0])
        if gain <= least:
            break
        order = better
    return order


def _best_move(unlike: F64, order: Sequence[int]) -> tuple[float, list[int]]:
    """Largest gain of taking one frame out and putting it elsewhere, and the order then."""
    closed, own = np.array([-1, *order, -1]), np.arange(len(order))
    near = unlike[np.ix_(closed[1:-1], closed)]
    # [k, i]: of frame k after the i-th of closed
    cost = near[:, :-1] + near[:, 1:] - unlike[closed[:-1], closed[1:]]
    now = near[own, own] + near[own, own + 2] - unlike[closed[:-2], closed[2:]]
    cost[own, own] = now
    cost[own, own + 1] = np.inf  # beside itself: it is one place with the one before
    place = cost.argmin(axis=1)
    gain = now - cost[own, place]
    k = int(gain.argmax())
    if not gain[k] > 0:
        return 0.0, list(order)
    to = int(place[k]) - int(place[k] > k)
    rest = [*order[:k], *order[k + 1 :]]
    return float(gain[k]), [*rest[:to], order[k], *rest[to:]]


def _best_turn(unlike: F64, order: Sequence[int]) -> tuple[float, list[int]]:
    """Largest gain of turning a run of frames round, and the order then."""
    closed = np.array([-1, *order, -1])
    links = unlike[closed[:-1], closed[1:]]
    entry = unlike[np.ix_(closed[:-1], closed[1:])]  # [i, j]: from the frame before i to the run's last, j
    leave = unlike[np.ix_(closed[1:-1], closed[2:])]
    gain = links[:-1, None] + links[None, 1:] - entry[:-1, :-1] - leave
    gain = np.triu(gain, 1)
    first, last = divmod(int(gain.argmax()), gain.shape[1])
    better = [*order[:first], *order[first : last + 1][::-1], *order[last + 1 :]]
    return float(gain[first, last]), better
