"""Whether two small pictures show the same view, and whether something in it moved.

Focus changes how fine the detail is, not where things are: coarse structure of the same view correlates whatever is
in focus, and a brighter or darker exposure of it does too. What moved, or another view, does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.intake.card.previews import BLOCKS, SMALL, Bytes, Look

Floats = NDArray[np.float32]
REACH = (8, 10)
"""Rows and columns of a small picture that a view may have shifted by, and still be the same: a twelfth."""
BLUR = 1.2
"""Sigma that takes noise and the finest detail from the small pictures before they are compared."""
SEEN = 0.5
"""Correlation of a block from which on it shows the same."""
GONE = 0.25
"""Correlation of a block up to which it shows something else."""
GAMMA = 2.2
"""Encoded samples to light, near enough for ratios of brightness."""
FLAT = 2.0
"""Standard deviation in a block, of 0..255, below which there is nothing to compare."""


@dataclass(frozen=True, kw_only=True)
class Likeness:
    """How two frames compare.

    ``same``: correlation of the whole, -1..1, at the best shift. ``shift``: that shift as a share of width and
    height. ``recognised``, ``moved``: share of the structured blocks that show the same, and something else.
    ``structured``: share of blocks that have structure in both. ``gain_ev``: brightness of the second over the first.
    """

    same: float
    shift: float
    recognised: float
    moved: float
    structured: float
    changed: float
    gain_ev: float


def soft(look: Look) -> Floats:
    """The small picture with noise taken off, (96, 128) float32."""
    return np.asarray(cv2.GaussianBlur(look.small.astype(np.float32), (0, 0), BLUR), np.float32)


def compare(one: Floats, other: Floats, colours: tuple[Bytes, Bytes]) -> Likeness:
    """Compare two pictures from `soft` and their ``Look.colour``."""
    (dy, dx), same = _best_shift(one, other)
    a, b = _overlapping(one, other, dy, dx)
    correlation, weight, structured = _blocks(a, b)
    total = float(weight.sum()) or 1.0
    return Likeness(
        same=same,
        shift=float(np.hypot(dy / SMALL[0], dx / SMALL[1])),
        recognised=float(weight[correlation > SEEN].sum()) / total,
        moved=float(weight[correlation < GONE].sum()) / total,
        structured=structured,
        changed=_changed(*colours),
        gain_ev=gain(a, b),
    )


def _best_shift(one: Floats, other: Floats) -> tuple[tuple[int, int], float]:
    """Where the middle of the second lies in the first, and how well it fits there."""
    y, x = REACH
    middle = other[y:-y, x:-x]
    if float(middle.std()) < 0.3 or float(one.std()) < 0.3:
        return (0, 0), 0.0
    found = cv2.matchTemplate(one, np.ascontiguousarray(middle), cv2.TM_CCOEFF_NORMED)
    _, best, _, (column, row) = cv2.minMaxLoc(found)
    at_rest = float(found[y, x])
    if at_rest > best - 0.01:
        return (0, 0), at_rest
    return (row - y, column - x), float(best)


def _overlapping(one: Floats, other: Floats, dy: int, dx: int) -> tuple[Floats, Floats]:
    h, w = one.shape
    a = one[max(dy, 0) : h + min(dy, 0), max(dx, 0) : w + min(dx, 0)]
    b = other[max(-dy, 0) : h + min(-dy, 0), max(-dx, 0) : w + min(-dx, 0)]
    return a, b


def _blocks(a: Floats, b: Floats) -> tuple[Floats, Floats, float]:
    """Correlation of each block, its weight by structure, and the share of blocks that have structure in both."""

    def mean(values: Floats) -> Floats:
        return np.asarray(cv2.resize(values, BLOCKS[::-1], interpolation=cv2.INTER_AREA), np.float32)

    ma, mb = mean(a), mean(b)
    va, vb = mean(a * a) - ma * ma, mean(b * b) - mb * mb
    va, vb = np.maximum(va, 1e-3), np.maximum(vb, 1e-3)
    both = (mean(a * b) - ma * mb) / np.sqrt(va * vb)
    strength = np.sqrt(np.sqrt(va * vb))
    clear = (va > FLAT**2) & (vb > FLAT**2)
    weight = np.where(clear, np.minimum(strength, 12.0), 0)
    return both, np.asarray(weight, np.float32), float(clear.mean())


def _changed(a: Bytes, b: Bytes) -> float:
    """How much the colour of the most changed blocks changed beside all others, of 0..255: 97th hundredth."""
    one, other = a.astype(np.float32) + 1, b.astype(np.float32) + 1
    level = np.median(other / one, axis=(0, 1))
    return float(np.quantile(np.abs(other / level - one).max(-1), 0.97))


def gain(a: Floats, b: Floats) -> float:
    """Brightness of the second over the first in EV: median over pixels that neither clips nor hides in the dark."""
    usable = (a > 12) & (b > 12) & (a < 240) & (b < 240)
    if usable.mean() < 0.05:
        return GAMMA * float(np.log2((b.mean() + 1) / (a.mean() + 1)))
    return GAMMA * float(np.median(np.log2(b[usable] / a[usable])))


def panned(one: Floats, other: Floats) -> float | None:
    """Shift as a share of the frame if the second continues the first beside or above it; None if it does not.

    A strip along each edge of the second is looked for in the whole of the first.
    """
    h, w = one.shape
    best, shift = 0.0, None
    for rows, columns in ((slice(None), slice(0, w // 5)), (slice(None), slice(w - w // 5, w))):
        strip = other[8:-8][rows, columns]
        score, moved = _found(one, strip, 8, columns.start or 0)
        if score > best and abs(moved[1]) > 0.15 * w:
            best, shift = score, abs(moved[1]) / w
    for rows in (slice(0, h // 5), slice(h - h // 5, h)):
        score, moved = _found(one, other[rows, 8:-8], rows.start or 0, 8)
        if score > best and abs(moved[0]) > 0.15 * h:
            best, shift = score, abs(moved[0]) / h
    return shift if best > 0.75 else None


def _found(one: Floats, strip: Floats, row: int, column: int) -> tuple[float, tuple[int, int]]:
    if float(strip.std()) < 3:
        return 0.0, (0, 0)
    scores = cv2.matchTemplate(one, np.ascontiguousarray(strip), cv2.TM_CCOEFF_NORMED)
    _, best, _, (x, y) = cv2.minMaxLoc(scores)
    return float(best), (y - row, x - column)
