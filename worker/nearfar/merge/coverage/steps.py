"""How wide each step between two frames is, and what lies in the middle of those that are too wide.

With log-energy a parabola over focus, of curvature -1/w², the two neighbours of a cell's sharpest frame give both where
the cell lies and how wide the step beside it is, in units of the usual step. Fine texture curves more than coarse;
how much is told by how a cell's energy is spread over the bands. A step counts as wide only if the cells on both
sides of it say so, in both bands: a missing slice is seen from both, what moved or hides something from one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.coverage.curves import Curve, Curves

F32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

TEXTURE = ((0.57, 0.0), (0.15, 0.27), (0.0, 0.2))
"""Curvature of each band goes as (E0/E1)^a (E1/E2)^b of the peak energies: fitted on 24 rendered brackets of six kinds,
where it takes a third off the scatter between textures, and nearly all of the difference between kinds."""
COARSER = -2.6
"""Usual curvature of the finest band from which blur of a missing slice goes beyond what that band can tell; then the two
coarser ones are asked."""
FEWEST = 6
"""Cells from which a median is believed."""
TOWARD = 0.1
"""Cells that lie so far toward a step, in steps, measure it best: they still show something on its other side."""
ALIKE = 1.2
"""... where all cells of the frame find it wide from here on; otherwise these few are odd for another reason."""
NORMAL = 1.25
"""A step up to so wide is one of the usual."""
WIDE = {4: 1.35, 3: 1.45, 2: 1.75}
"""By how many of the four words on it (two sides, two bands): a step whose smallest word is from here on is an odd one.
On complete rendered brackets, 99 of 100 steps stay below 1.23, 1.32 and 1.63."""
BESIDE = 1.7
"""The same for a step beside a wider one, whose blur reaches over."""
MIDDLE = 0.25
"""Share of a step by which a cell lies away from both its frames to count as between them."""
SEEN = 30.0
"""Energy of the coarsest band, over the noise's, from which a cell has something to be sharp."""
SOFT = 4.0
"""How many times less of its energy lies in the finest band than in cells that are sharpest inside the stack."""


@dataclass(frozen=True, kw_only=True)
class Widths:
    """All steps of a stack.

    ``asked``: which two bands tell. ``bend`` (BANDS, R, C): curvature -1/w² of each cell's log-energy in usual steps, by
    its texture; NaN where nothing tells. ``finest``: the usual one of the finest band. ``width`` (n - 1,): each step in
    usual ones, NaN where no cell tells; measured low where it is far too wide. ``loss`` (n - 1,): how much of the finest
    band's log-energy is lost midway; its amplitude is exp(-loss / 2). ``odd`` (n - 1,): steps that are surely wider than
    the usual ones.
    """

    asked: tuple[int, int]
    bend: F32
    finest: float
    width: NDArray[np.float64]
    loss: NDArray[np.float64]
    odd: Bools


def step_widths(curves: Curves) -> Widths:
    """Measure all steps of a stack from its cells' sharpness over the frames; NaN wherever nothing tells."""
    factor = _texture(curves)
    bend = np.stack([f * _usual(c, f, curves.frames) for c, f in zip(curves.bands, factor, strict=True)])
    sure = curves.bands[0].sure & np.isfinite(bend[0])
    finest = float(np.median(bend[0][sure])) if sure.any() else np.nan
    asked = (1, 2) if finest < COARSER else (0, 1)
    count = max(curves.frames - 1, 0)
    told = np.array([[_seen_from(curves.bands[b], side, bend[b], count) for side in range(2)] for b in asked])
    width = _width(told)
    loss = -finest * width * width / 8
    return Widths(asked=asked, bend=bend, finest=finest, width=width, loss=loss, odd=_odd(told))


def _width(told: NDArray[np.float64]) -> NDArray[np.float64]:
    """The smaller word of both sides (or of the only one) in each band; of the bands the larger, since the finer one is
    measured low where blur is wide.
    """
    sides = np.fmin(told[:, 0], told[:, 1])
    return np.asarray(np.fmax(sides[0], sides[1]))


def _odd(told: NDArray[np.float64]) -> Bools:
    """Steps (n - 1,) on which enough words agree that they are wide."""
    words = np.isfinite(told).sum(axis=(0, 1))
    least = np.fmin(np.fmin(told[0, 0], told[0, 1]), np.fmin(told[1, 0], told[1, 1]))
    out = np.zeros(words.size, np.bool_)
    for step in range(words.size):
        enough = words[step] > 2 or (words[step] == 2 and _one_side_will_do(told, least, words, step))
        out[step] = enough and least[step] >= WIDE[int(words[step])]
    wide = np.where(out, least, 0)
    beside = np.maximum(np.append(wide[1:], 0), np.insert(wide[:-1], 0, 0))[: words.size]
    return np.asarray(out & ((least >= beside) | (least >= BESIDE)))


def _one_side_will_do(
    told: NDArray[np.float64], least: NDArray[np.float64], words: NDArray[np.intp], step: int
) -> bool:
    """Whether the cells on one side alone can be believed: both bands tell, and the step behind them is a usual one."""
    for side, other in ((0, step - 1), (1, step + 1)):
        if np.isfinite(told[:, side, step]).all():
            return 0 <= other < words.size and words[other] > 2 and least[other] < NORMAL
    return False


def _texture(curves: Curves) -> list[F32]:
    """Curvature that each cell's spread over the bands leads to expect, as a factor, for each band (R, C)."""
    floored = np.maximum(curves.peak, np.float32(0.5) * curves.floor)
    fine, coarse = np.log(floored[0] / floored[1]), np.log(floored[1] / floored[2])
    return [np.asarray(np.exp(a * fine + b * coarse), np.float32) for a, b in TEXTURE]


def _usual(curve: Curve, factor: F32, frames: int) -> np.float32:
    """Median over the frames of each frame's median curvature: a frame with much in it counts as much as any other."""
    bend = (curve.below + curve.above) / factor
    inner = curve.sure & np.isfinite(bend)
    medians = []
    for k in range(1, frames - 1):
        values = bend[inner & (curve.sharpest == k)]
        if values.size >= FEWEST:
            medians.append(float(np.median(values)))
    found = float(np.median(medians)) if medians else np.nan
    return np.float32(found if found < -1e-3 else np.nan)


def place_and_width(behind: F32, ahead: F32, bend: F32) -> tuple[F32, F32]:
    """Where cells lie ahead of their sharpest frame, and how wide the step ahead is, in usual steps.

    ``behind``, ``ahead``: log-energy of the neighbour on either side over the sharpest's; the step behind is a usual one.
    ``bend``: curvature.
    With D = d (z - d/2) / w² for a step d from a frame to what lies z ahead of it: z from the step behind, then d.
    """
    squared = -1 / bend
    z = -behind * squared - np.float32(0.5)
    width = z + np.sqrt(np.maximum(z * z - 2 * ahead * squared, 0))
    return np.asarray(z, np.float32), np.asarray(width, np.float32)


def _seen_from(curve: Curve, side: int, bend: F32, count: int) -> NDArray[np.float64]:
    """Width of every step as the cells of the frame before it (side 0) or behind it (side 1) see it."""
    behind, ahead = (curve.below, curve.above) if side == 0 else (curve.above, curve.below)
    inner = curve.sure & np.isfinite(behind) & np.isfinite(ahead) & np.isfinite(bend)
    out = np.full(count, np.nan)
    for step in range(count):
        cells = inner & (curve.sharpest == step + side)
        z, width = place_and_width(behind[cells], ahead[cells], bend[cells])
        if width.size < FEWEST:
            continue
        out[step] = np.median(width)
        toward = width[z > TOWARD]
        if toward.size >= FEWEST and out[step] > ALIKE:
            out[step] = np.median(toward)
    return out


def _asked(curves: Curves, widths: Widths) -> list[tuple[Curve, F32]]:
    """The bands that tell, each with its cells' curvature (R, C)."""
    return [(curves.bands[b], widths.bend[b]) for b in widths.asked]


def between(curves: Curves, widths: Widths, step: int) -> Bools:
    """Cells (R, C) that lie well inside the step from frame ``step`` to the next, away from both."""
    out = np.zeros(curves.peak.shape[1:], np.bool_)
    wide = np.float32(widths.width[step])
    for curve, bend in _asked(curves, widths):
        for frame, behind in ((step, curve.below), (step + 1, curve.above)):
            with np.errstate(invalid="ignore"):
                z = behind / bend - np.float32(0.5)
                out |= curve.sure & (curve.sharpest == frame) & (z > np.float32(MIDDLE) * wide)
    return out


def beyond(curves: Curves, widths: Widths, *, last: bool, loss: float) -> Bools:
    """Cells (R, C) whose sharpness still rises at an end of the stack, or which are soft there for what they hold.

    ``last``: whether the end behind the last frame is asked for, else that before the first. ``loss``: of log-energy in
    the finest band, from which a cell is too soft.
    """
    out = np.zeros(curves.peak.shape[1:], np.bool_)
    frame = curves.frames - 1 if last else 0
    if not np.isfinite(widths.finest):
        return out
    at_end = np.zeros_like(out)
    for curve, bend in zip(curves.bands[:2], widths.bend[:2], strict=True):
        inward = curve.below if last else curve.above
        cells = curve.sure & np.isfinite(inward) & (curve.sharpest == frame)
        at_end |= cells
        with np.errstate(invalid="ignore"):
            z = np.float32(0.5) - inward / bend
            out |= cells & (z < 0) & (-np.float32(widths.finest) * z * z / 2 > loss)
    return out | (at_end & _soft(curves))


def _soft(curves: Curves) -> Bools:
    """Cells (R, C) that have something to be sharp, and show far less fine detail of it than cells inside the stack."""
    seen = curves.peak[2] > SEEN * curves.floor[2]
    ratio = np.maximum(curves.peak[0], 0.5 * curves.floor[0]) / np.maximum(curves.peak[2], 1e-12)
    best = curves.bands[1].sharpest
    inside = seen & (best > 0) & (best < curves.frames - 1)
    if np.count_nonzero(inside) < FEWEST:
        return np.zeros_like(seen)
    return np.asarray(seen & (ratio < np.median(ratio[inside]) / SOFT))
