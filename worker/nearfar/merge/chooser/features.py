"""What the net sees of each frame at each half-size place: 14 numbers without units.

All of it in float32, each operation rounded by itself, in the kernel's order. A place depends on at most 5 half-size
places around it, and on other frames only where those are admitted (mask > 0), so tiles of any size agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.chooser.numbers import HALF_CHANNEL, LEAST, PRIOR_WEIGHT, QUIET
from nearfar.merge.chooser.numeric import octaves

F32 = NDArray[np.float32]
LUMA = (np.float32(0.299), np.float32(0.587), np.float32(0.114))
TINY = np.float32(1e-12)


@dataclass(frozen=True, kw_only=True)
class Window:
    """Half-size planes of n frames, nearest focus first, in one window (h, w)."""

    colour: F32
    """(n, 3, h, w) means of 2 x 2, encoded 0..1."""
    half_luma: F32
    """(n, h, w) luma of these means, 0..1."""
    square: F32
    """(n, h, w) mean square of luma's finest band, noise included."""
    prior: F32
    """(n, h, w), 0 or more: how sharp the focus step found each frame in relation to the others; spread from the cells."""
    admission: F32
    """(n, h, w), 0..1: above 0 where a frame may be taken; spread from the cells."""
    mask: F32
    """(n, h, w): 1 in the cells that are admitted themselves, less at the frame's border, down to 0."""
    variance: F32
    """(h, w) variance of the noise of one channel of a frame, of encoded values 0..1, as the net is `told` of it."""
    noise: tuple[float, float]
    """Share of that variance that is left in luma's finest band and in its second one."""


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What the net is given."""

    values: F32
    """(14, n, h, w), without units."""
    score: F32
    """(n, h, w), 0..1: the rule's V over that of the best frame."""


class Told(Protocol):
    """How much of the noise the net is told; see `told`."""

    @property
    def band0(self) -> float:
        """Share of a channel's variance that is left in luma's finest band."""

    @property
    def told_flat(self) -> float:
        """Share that is told where no frame has detail."""

    @property
    def told_sharp(self) -> float:
        """Share that is told where one frame alone has much, and times the number of frames where several have as much."""

    @property
    def clear(self) -> float:
        """Energy of detail over that of noise, halfway between the two."""


def told(variance: F32, square: F32, numbers: Told) -> F32:
    """Variance (h, w) of a channel's noise as the net is told of it: less where detail stands out that few frames have.

    ``variance`` (h, w) is all of it, ``square`` (n, h, w) the frames' energy in luma's finest band, 0 where none is let in.
    """
    one, flat = np.float32(1), np.float32(numbers.told_flat)
    most = square.max(axis=0)
    total: F32 = np.zeros_like(variance)
    for own in square:
        total = total + own
    over = most / (np.float32(numbers.band0) * (np.float32(numbers.clear) * variance))
    least = np.minimum(flat, np.float32(numbers.told_sharp) * (total / np.maximum(most, np.float32(1e-20))))
    return np.asarray(variance * (least + (flat - least) / (one + over * over)), np.float32)


def b5(planes: F32) -> F32:
    """Binomial filter [1 4 6 4 1] / 16 of planes (..., h, w), across and then down, the window's edge repeated."""
    out = planes
    for axis in (-1, -2):
        width = [(0, 0)] * (planes.ndim - 2) + ([(0, 0), (2, 2)] if axis == -1 else [(2, 2), (0, 0)])
        p = np.pad(out, width, mode="edge")
        n = out.shape[axis]
        part = [p[..., i : i + n] if axis == -1 else p[..., i : i + n, :] for i in range(5)]
        six, four, one = np.float32(6 / 16), np.float32(4 / 16), np.float32(1 / 16)
        out = six * part[2] + four * (part[1] + part[3]) + one * (part[0] + part[4])
    return np.asarray(out, np.float32)


def softened(planes: F32) -> F32:
    """Planes (..., h, w) under 3 x 3 with .15, .7, .15, first down and then across, the edge repeated outside."""
    wide = [(0, 0)] * (planes.ndim - 2)
    p = np.pad(planes, [*wide, (1, 1), (0, 0)], mode="edge")
    p = np.float32(0.7) * p[..., 1:-1, :] + np.float32(0.15) * (p[..., :-2, :] + p[..., 2:, :])
    p = np.pad(p, [*wide, (0, 0), (1, 1)], mode="edge")
    return np.asarray(np.float32(0.7) * p[..., 1:-1] + np.float32(0.15) * (p[..., :-2] + p[..., 2:]))


def around5(planes: F32) -> F32:
    """Largest value within 5 x 5 places of planes (n, h, w), of values that are at least 0; outside counts as 0."""
    h, w = planes.shape[1:]
    p = np.pad(planes, ((0, 0), (2, 2), (2, 2)))
    across = np.max([p[..., i : i + w] for i in range(5)], axis=0)
    return np.asarray(np.max([across[:, i : i + h] for i in range(5)], axis=0))


def second_band(half_luma: F32) -> F32:
    """Energy of luma's second band (n, h, w), noise included; ``half_luma`` (n, h, w), encoded 0..1."""
    band = half_luma - b5(half_luma)
    return softened(band * band)


def _others(planes: F32) -> tuple[F32, F32]:
    """Largest values (n, h, w) among nearer, and among farther frames, of values that are at least 0."""
    nothing = np.zeros_like(planes[:1])
    nearer = np.maximum.accumulate(np.concatenate([nothing, planes[:-1]]), axis=0)
    farther = np.maximum.accumulate(np.concatenate([nothing, planes[:0:-1]]), axis=0)[::-1]
    return nearer, farther


def _held(x: F32) -> F32:
    """Within -1 and 1."""
    return np.asarray(x / (np.float32(1) + np.abs(x)), np.float32)


def _sharper(e1: F32, noise: F32) -> tuple[F32, F32]:
    """Octaves by which the largest energy around among nearer, and among farther frames is above a frame's own; tenths."""
    nearer, farther = _others(around5(e1))
    own = octaves(e1 + noise)
    tenth = np.float32(0.1)
    return (octaves(nearer + noise) - own) * tenth, (octaves(farther + noise) - own) * tenth


def _above(energy: F32, over: F32) -> F32:
    return np.asarray(np.maximum(energy - over, np.float32(0)))


def _over(energy: F32, quiet: F32) -> F32:
    """One over the largest energy of any frame, more where there is little."""
    return np.asarray(np.float32(1) / (energy.max(axis=0) + quiet))


def features(window: Window) -> Seen:
    """Everything the net sees in a window; frames without admission count nowhere.

    The order of `Seen.values` is that of the weights: relative energy of the finest band, the same smoothed, and that
    of the second; the relative prior; octaves of the largest energy of either band over the noise, alike for all
    frames; octaves by which nearer and farther frames are sharper; octaves of the distance in colour from the best
    frame, over 5 x 5 and 3 x 3; by how much the frame is brighter than that one; by how much the prior of nearer and of
    farther frames is larger; the brightness again, over 5 x 5.
    """
    v, mask, quiet = window.variance, window.mask, np.float32(QUIET)
    n0, n1, nc = (np.float32(c) * v for c in (*window.noise, HALF_CHANNEL))
    e0, near = _above(window.square, n0) * mask, _above(b5(window.square), n0) * mask
    e1 = _above(second_band(window.half_luma), n1) * mask
    rel0, rel1 = e0 * _over(e0, quiet * n0), e1 * _over(e1, quiet * n1)
    one, sixth, twelfth = np.float32(1), np.float32(1 / 6), np.float32(1 / 12)
    score = window.admission * (np.float32(LEAST) + np.float32(PRIOR_WEIGHT) * window.prior + (rel0 + rel1))
    best, most = score.argmax(axis=0), score.max(axis=0)
    score = score * (one / np.maximum(most, TINY))
    first = np.take_along_axis(window.colour, best[None, None], 0)[0] * (most > 0).astype(np.float32)
    d = window.colour - first
    apart = (d[:, 0] * d[:, 0] + d[:, 1] * d[:, 1] + d[:, 2] * d[:, 2]) * (1 / (np.float32(6) * nc))
    brighter = window.half_luma - (LUMA[0] * first[0] + LUMA[1] * first[1] + LUMA[2] * first[2])
    around = b5(brighter)
    known = window.prior * mask
    over_known = one / np.maximum(known.max(axis=0), np.float32(1e-9))
    known_nearer, known_farther = _others(known)
    nearer, farther = _sharper(e1, n1)
    same = np.ones_like(e0)
    values = (
        *(rel0, near * _over(near, quiet * n0), rel1),
        known * over_known,
        same * (octaves(one + near.max(axis=0) / n0) * twelfth),
        same * (octaves(one + e1.max(axis=0) / n1) * twelfth),
        *(nearer, farther),
        octaves(one + b5(apart)) * sixth,
        octaves(one + softened(apart)) * sixth,
        _held(np.float32(12) * brighter),
        (known_nearer - known) * over_known,
        (known_farther - known) * over_known,
        _held(np.float32(12) * around),
    )
    return Seen(values=np.stack(values).astype(np.float32), score=score.astype(np.float32))
