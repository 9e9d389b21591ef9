"""How the blur of tilted surfaces biases links, and what it takes to remove that bias.

Across a tilted surface blur grows. Refocusing by one frame then shifts its image by a quarter of the gradient of the
squared blur radius; how much of that the band-pass sees depends on how coarse the texture is. The shift is the same at
every step: at .005 px too small to show in any link, but up to .1 px over a stack. So each block's light is levelled before
the band-pass. Blur grows as b = g d + const, d being the frame in which a place is sharpest: d comes from the survey's
energies, g from the changes of blur that links measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.grid_calls import Peaks
from nearfar.merge.kernel.picture_calls import CELL
from nearfar.merge.register.robust import OVER_MEDIAN, weighted_median

REACH = 2  # cells on each side over which depth is differenced
_AROUND = 2  # cells on each side whose median counts
_LEAST = 6  # cells that the median needs
_SPREAD = 0.5
"""Error of the median over the spread of the middle half: four cells overlap, so few are independent."""
_CLEAR = 3.0  # times the noise from which a cell's peak is believed
_MANY = 20000  # cells above which every second is looked at
_STEEPEST = 0.1
"""Change of blur, px^2 a px, above which none is believed: more than a steep shell by macro has."""
_NEAR = 3.0  # frames from the middle of a link within which its change of blur is linear
_ENOUGH = 12  # blocks that tell how blur grows
_ROUNDS = 6  # of reweighting
_AGREE = 0.35  # relative difference of links' slopes
_MOST = 0.7  # share of what is known that has to agree

F64 = NDArray[np.float64]


def depth_of(peaks: Peaks, noise: float) -> F64:
    """Place in the stack, with its fraction, at which each cell is sharpest, (R, C); NaN where noise dominates."""
    floor = np.float32(noise) + np.float32(1e-14)
    a, b, c = (np.log(e.astype(np.float64) + floor) for e in (peaks.before, peaks.top, peaks.after))
    bend = a - 2 * b + c
    inner = (peaks.place > 0) & (peaks.place < peaks.count - 1) & (bend < -1e-6)
    part = np.where(inner, 0.5 * (a - c) / np.where(inner, bend, -1), 0)
    clear = (peaks.top > np.float32(_CLEAR) * floor) & (peaks.place >= 0)
    return np.where(clear, peaks.place + np.clip(part, -0.5, 0.5), np.nan)


def _sure_median(stack: F64) -> F64:
    """Median over the first axis, ignoring NaN, reduced the more the wider the middle half of the values is spread; 0 where
    there are fewer than `_LEAST` values.
    """
    ordered = np.sort(stack, axis=0)
    count = np.isfinite(ordered).sum(axis=0)

    def at(share: float) -> F64:
        index = np.clip((share * (count - 1) + 0.5).astype(np.int64), 0, len(stack) - 1)
        return np.asarray(np.take_along_axis(ordered, index[None], 0)[0])

    low, middle, high = (np.where(count >= _LEAST, at(q), 0.0) for q in (0.25, 0.5, 0.75))
    error = _SPREAD * (high - low)
    return np.asarray(middle * (middle**2 / (middle**2 + error**2 + 1e-30)) ** 2)


def _slopes(depth: F64, axis: int) -> F64:
    """Rise of depth along an axis, frames per pixel: medians of the surroundings, on every cell or every second one."""
    d = depth if axis == 1 else depth.T
    rise: F64 = np.full(d.shape, np.nan)
    rise[:, REACH:-REACH] = (d[:, 2 * REACH :] - d[:, : -2 * REACH]) / (2 * REACH * CELL)
    rise = rise if axis == 1 else rise.T
    stride = 2 if rise.size > _MANY else 1
    p = np.pad(rise, _AROUND, constant_values=np.nan)
    h, w = depth.shape
    span = range(2 * _AROUND + 1)
    return _sure_median(np.stack([p[y : y + h : stride, x : x + w : stride] for y in span for x in span]))


@dataclass(frozen=True, kw_only=True)
class Tilt:
    """Depth and its rise on the reference's cells."""

    depth: F64
    """(R, C), in frames; NaN where unknown."""
    rise_x: F64
    """Rise to the right, frames per pixel, on every ``stride``-th cell."""
    rise_y: F64
    """The same, downwards."""
    stride: int
    growth: float = 0.0
    """g of the module's formula, px^2 per frame of depth, for each frame between a link's ends."""

    def at(self, x: F64, y: F64) -> tuple[F64, NDArray[np.complex128]]:
        """Depth, and its rise as x + iy, at the reference's pixels (x, y)."""
        r, c = self.depth.shape
        rows = np.clip(((y + 0.5) // CELL).astype(np.int64), 0, r - 1)
        cols = np.clip(((x + 0.5) // CELL).astype(np.int64), 0, c - 1)
        coarse = rows // self.stride, cols // self.stride
        return self.depth[rows, cols], self.rise_x[coarse] + 1j * self.rise_y[coarse]


def find_tilt(peaks: Peaks, noise: float) -> Tilt:
    """Depth and its rise, from the peaks of energy above ``noise``."""
    depth = depth_of(peaks, noise)
    if min(depth.shape) <= 2 * REACH:
        none = np.zeros(depth.shape)
        return Tilt(depth=depth, rise_x=none, rise_y=none, stride=1)
    rise_x, rise_y = _slopes(depth, 1), _slopes(depth, 0)
    stride = 2 if depth.size > _MANY else 1
    return Tilt(depth=depth, rise_x=rise_x, rise_y=rise_y, stride=stride)


def busiest(depth: F64, frames: int, most: int) -> list[int]:
    """Up to ``most`` places, chosen so that about equally many cells are sharpest around each link to the next frame.

    A stack may begin long before anything is sharp and go on long after. If no depth is known, the places are spread evenly.
    """
    shares = (np.arange(most) + 0.5) / most
    known = np.sort(depth[np.isfinite(depth)])
    at = known[(shares * len(known)).astype(np.int64)] - 0.5 if len(known) else shares * (frames - 1) - 0.5
    return sorted({int(k) for k in np.clip(np.rint(at), 0, frames - 2)})


@dataclass(frozen=True, kw_only=True)
class Growth:
    """How a link's change of blur depends on depth."""

    slope: float
    """px^2 per frame of depth."""
    information: float
    """1 / variance of the slope."""


def growth_of(blur: F64, known: F64, depth: F64, middle: float) -> Growth | None:
    """Fit a line, robustly, to the blocks' changes of blur over depth; None if too few blocks lie near the link's middle.

    Parameters
    ----------
    blur
        (K,), change of blur in each block, px^2.
    known
        (K,), information about it, as weights.
    depth
        (K,), in frames.
    middle
        Depth half way between the link's frames.
    """
    use = np.isfinite(depth) & (np.abs(depth - middle) < _NEAR) & (known > 0)
    if int(use.sum()) < _ENOUGH:
        return None
    x, y, w = depth[use] - middle, blur[use], known[use]
    basis = np.stack([np.ones_like(x), x], axis=1)
    trust = np.ones(len(x))
    for _ in range(_ROUNDS):
        weighted = basis * (w * trust)[:, None]
        normal = basis.T @ weighted + 1e-12 * float(w.sum()) * np.eye(2)
        line = np.linalg.solve(normal, weighted.T @ y)
        off = np.abs(y - basis @ line)
        spread = OVER_MEDIAN * float(np.median(off)) + 1e-9
        trust = 1 / (1 + (off / (2 * spread)) ** 2) ** 2
    effective = float((w * trust).sum() ** 2 / max(((w * trust) ** 2).sum(), 1e-300))
    across = float((w * trust) @ (x - np.average(x, weights=w * trust)) ** 2 / (w * trust).sum())
    return Growth(slope=float(line[1]), information=across * effective / spread**2)


def lean_of(rise: NDArray[np.complex128], slope: float) -> NDArray[np.float32]:
    """How a link's change of blur grows per pixel in x and y, (K, 2); 0 where that is implausibly steep."""
    lean = slope * rise
    lean = np.where(np.abs(lean) <= _STEEPEST, lean, 0)
    return np.stack([lean.real, lean.imag], axis=1).astype(np.float32)


def usual_growth(found: Sequence[Growth]) -> float:
    """Weighted median of the slopes of links between neighbours; never positive, and 0 if they do not agree."""
    if not any(g.information > 0 for g in found):
        return 0.0
    slopes, known = (np.array(v) for v in zip(*((g.slope, g.information) for g in found), strict=True))
    usual = weighted_median(slopes, known)
    agreeing = float(known[np.abs(slopes - usual) < _AGREE * abs(usual)].sum() / known.sum())
    return usual if usual < 0 and agreeing >= _MOST else 0.0
