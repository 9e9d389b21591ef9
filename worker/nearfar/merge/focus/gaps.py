"""Gaps: parts of the picture that no frame has sharp.

A sharp surface has energy in the finest band; one that every frame missed has energy in the coarser bands only. How
much is usual depends on the subject, so a cell is judged against the sharp cells of its own stack. Plain areas have no
energy in any band and count as no gap. Between which two frames a gap lies follows from the rest of the stack: from how
much of what is sharp in one frame its neighbour still shows. Both rules are heuristics of our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusMap
from nearfar.merge.kernel.picture_calls import CELL
from nearfar.merge.noise import Noise

SEEN = 30.0
"""Energy of the coarsest band, as a multiple of the noise's, from which a cell shows anything that could be sharp."""
SOFT = 8.0
"""A cell is soft if the finest band's share of its energy is this many times less than in the stack's sharp cells. Measured
on rendered brackets: 16 complete ones have no gap; with slices missing, 46 % of the cells blurred by more than two pixels
count as soft, and every reported gap lies between the right frames. At 6, complete brackets begin to have gaps."""
LEAST_CELLS = 12
LEAST_SHARE = 0.002
"""A gap covers at least this many cells and at least this share of the picture."""
ORDINARY = 0.5
"""Two neighbours have a gap between them if they show less than this share of what neighbours usually show of each other."""
CLEARLY, SOMETHING, SHARP = 100.0, 0.02, 0.5
"""Nothing is sharp if the coarsest band stands so high above the noise in such a share of the cells, and the second finest
one ten times above it in less than the third share of those. On rendered brackets, noisy ones too, it does in .94 of
them and more; all blurred by 9 px, in .33, by 14 px in none."""
MOST = 20
"""Gaps that are reported, largest first."""


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A part of the picture that no frame has sharp."""

    box: tuple[int, int, int, int]
    """x, y, width, height in pixels."""
    share: float
    """Of the picture's area, 0..1."""
    after: str | None
    """Name of the frame focused just before the gap; None if it lies before the first frame."""
    before: str | None
    """Name of the frame focused just behind the gap; None if it lies beyond the last frame."""

    def text(self) -> str:
        """Where the gap is and what would help, as a sentence."""
        where = f"{100 * self.share:.1f} % of the picture is sharp in no frame"
        if self.after is None:
            return f"{where}: it lies on the near side of {self.before}; start the next bracket earlier"
        if self.before is None:
            return f"{where}: it lies beyond {self.after}; go on further, unless it is meant to be soft"
        return f"{where}: one more frame is missing between {self.after} and {self.before}"

    def as_json(self) -> dict[str, Any]:
        """As the report has it."""
        return {
            "box": list(self.box),
            "share": round(self.share, 4),
            "after": self.after,
            "before": self.before,
            "text": self.text(),
        }


def _cells(found: FocusMap, noise: Noise) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Two masks of cells (R, C): soft in every frame, and sharp in at least one.

    Soft means: there is something to see, but no frame shows as much fine detail of it as the stack shows elsewhere.
    """
    floor = [np.maximum(noise.energy(b, found.luma), np.float32(1e-12)) for b in range(3)]
    seen = found.peak[2] > SEEN * floor[2]
    ratio = (found.peak[0] + 0.05 * floor[0]) / np.maximum(found.peak[2], 1e-12)
    sharp = seen & (found.peak[0] > 10 * floor[0])
    if np.count_nonzero(sharp) < LEAST_CELLS:
        return np.zeros(seen.shape, np.bool_), sharp
    usual = np.median(ratio[sharp])
    soft = seen & (ratio < usual / SOFT)
    return soft, sharp & ~soft


def find_gaps(found: FocusMap, noise: Noise, names: Sequence[str], size: tuple[int, int]) -> list[Gap]:
    """Find the gaps of a stack, largest first.

    Parameters
    ----------
    found
        The focus map.
    noise
        Of the stack.
    names
        Of the frames that are used, in order.
    size
        Width and height of the picture in pixels.
    """
    if len(names) < 2:
        return []
    soft, sharp = _cells(found, noise)
    links = _links(found, sharp, len(names))
    closed = cv2.morphologyEx(soft.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=8)
    gaps = []
    for label in range(1, count):
        x, y, w, h, cells = (int(v) for v in stats[label])
        if cells < LEAST_CELLS or cells < LEAST_SHARE * soft.size:
            continue
        after, before = _between(found, labels == label, links)
        box = (CELL * x, CELL * y, min(CELL * w, size[0] - CELL * x), min(CELL * h, size[1] - CELL * y))
        gaps.append(
            Gap(
                box=box,
                share=cells / soft.size,
                after=None if after is None else names[after],
                before=None if before is None else names[before],
            )
        )
    return sorted(gaps, key=lambda g: -g.share)[:MOST]


def nothing_sharp(found: FocusMap, noise: Noise) -> bool:
    """Whether no frame has next to anything sharp, though there is something to see."""
    floor = [np.maximum(noise.energy(b, found.luma), np.float32(1e-12)) for b in range(3)]
    seen = found.peak[2] > CLEARLY * floor[2]
    sharp = seen & (found.peak[1] > 10 * floor[1])
    return bool(seen.mean() > SOMETHING and sharp.sum() < SHARP * seen.sum())


def _links(found: FocusMap, sharp: NDArray[np.bool_], frames: int) -> NDArray[np.float64]:
    """How much neighbours show of what is sharp in each other, 0..1, (n - 1,); NaN if nothing is sharp in either."""
    links = np.full(frames - 1, np.nan)
    for k in range(frames - 1):
        following = found.beside[1][sharp & (found.sharpest == k)]
        previous = found.beside[0][sharp & (found.sharpest == k + 1)]
        told = [float(np.median(side)) for side in (following, previous) if side.size]
        if told:
            links[k] = np.mean(told)
    return links


def _between(
    found: FocusMap, cells: NDArray[np.bool_], links: NDArray[np.float64]
) -> tuple[int | None, int | None]:
    """Places of the two frames around a gap: the one that shows it sharpest, and its neighbour across the wider step."""
    values, counts = np.unique(found.sharpest[cells], return_counts=True)
    middle, last = int(values[counts.argmax()]), len(links)
    usual = ORDINARY * float(np.nanmedian(links)) if np.isfinite(links).any() else 0.0
    if middle == 0:
        return (0, 1) if links[0] < usual else (None, 0)
    if middle == last:
        return (last - 1, last) if links[-1] < usual else (last, None)
    before, after = links[middle - 1], links[middle]
    if not np.isfinite(before + after):
        here = cells & (found.sharpest == middle)
        after, before = (float(np.median(found.beside[side][here])) for side in range(2))
    return (middle - 1, middle) if before < after else (middle, middle + 1)
