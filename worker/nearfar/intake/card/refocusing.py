"""Whether the focus goes on from one frame to the next, begins again, or turns back: evidence from patterns alone.

Differences between patterns (`nearfar.intake.card.sharpness`) are all that is known here; no frame is looked at.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.intake.card.evidence import Evidence, ramp

NOISE = 0.06
"""Difference between patterns of two frames with the same focus (measured on rendered repeats: 0.03 to 0.1)."""
AHEAD = 12
"""Frames ahead that a place in the focus sweep is compared with."""
Matrix = NDArray[np.float64]


def of_focus(apart: Matrix, start: int, p: int) -> Evidence:
    """Whether frame p + 1 goes on where p left off in the sweep of focus, begins again, or turns back.

    ``apart`` is that of the whole view; the run so far began at ``start``.
    """
    end = min(len(apart), p + 2 + AHEAD)
    here = float(apart[p, p + 1])
    steps = [float(apart[k, k + 1]) for k in range(start, end - 1) if k != p]
    usual = max(float(np.median(steps)) if steps else NOISE, NOISE)
    jump = here / usual
    back = here / max(float(apart[start : p - 1, p + 1].min()), NOISE) if p - 1 > start else 0.0
    on = here / max(_nearest_ahead(apart, p, end), NOISE) if p + 3 < end else 0.0
    found = [_repeated(apart, start, p, end), _folded(apart, start, p, end)]
    if here > 2 * NOISE and max(back, on) > 1.3 and jump > 1.4:
        weight = ramp(np.log2(min(max(back, on), 1.5 * jump)), (0.4, 0), (1, -2.5), (2, -5), (3, -6))
        words = "the focus begins again where it was before" if back >= on else "the focus is out of sequence"
        found.append((weight, words))
    weight, words = min(found)
    if weight < 0:
        return Evidence(weight=weight, words=words)
    steady = len(steps) > 1 and max(back, on) < 1.1 and jump < 1.8
    return Evidence(weight=1.0, words="the focus goes on steadily") if steady else Evidence(weight=0.0)


def _nearest_ahead(apart: Matrix, p: int, end: int) -> float:
    """The least difference of frame p from one further on that the frames in between lead to.

    If the difference grows first, what comes nearer later is a second time through, not a place out of sequence.
    """
    ahead = apart[p, p + 1 : end]
    grown = np.flatnonzero(ahead > 1.05 * ahead[0])
    return float(ahead[: grown[0] if len(grown) else len(ahead)].min())


def _within(apart: Matrix, first: int, last: int) -> float:
    """Median difference between frames ``first`` to ``last``, both included."""
    rows, columns = np.triu_indices(last - first + 1, 1)
    return float(np.median(apart[first + rows, first + columns])) if len(rows) else 0.0


def _repeated(apart: Matrix, start: int, p: int, end: int) -> tuple[float, str]:
    """Weight if the frames behind ``p`` go through the patterns of the run once more, one by one.

    A place one or two frames off fits nearly as well; so it has to fit best here.
    """
    again, skipped = _again(apart, start, p, end)
    usual = _within(apart, start + skipped, p)
    if again is None or usual < 2 * NOISE:
        return 0.0, ""
    steps = float(np.median([apart[k, k + 1] for k in range(start + skipped, p)]))
    around = [
        _again(apart, start, q, len(apart))[0]
        for q in range(max(start + 2, p - 6), min(len(apart) - 3, p + 7))
    ]
    if again > 1.5 * steps + 0.5 * NOISE or any(other is not None and other < again for other in around):
        return 0.0, ""
    weight = ramp(again / usual, (0.2, -7.5), (0.4, -6), (0.6, -3), (0.8, 0))
    return weight, "the same sweep of focus is gone through once more"


def _again(apart: Matrix, start: int, p: int, end: int) -> tuple[float | None, int]:
    """Mean difference between the run's frames and those behind ``p``, one by one; None for fewer than three.

    A try or two before the run's own sweep are passed over, at a small price; how many is told as well.
    """
    found = []
    for skipped in range(3):
        length = min(p - start - skipped + 1, min(end, p + 2 + AHEAD) - p - 1)
        if length >= 3:
            pairs = [apart[start + skipped + i, p + 1 + i] for i in range(length)]
            found.append((float(np.mean(pairs)) + 0.01 * skipped, skipped))
    return min(found, default=(None, 0))


def _folded(apart: Matrix, start: int, p: int, end: int) -> tuple[float, str]:
    """Weight if frames before and behind mirror each other: the same pattern at p - r and p + 1 + r."""
    reach = min(p - start, end - p - 2)
    usual = min(_within(apart, p - reach, p), _within(apart, p + 1, p + 1 + reach)) if reach >= 3 else 0.0
    if usual < 3 * NOISE:
        return 0.0, ""
    mirrored = float(np.median([apart[p - r, p + 1 + r] for r in range(1, reach + 1)]))
    return ramp(mirrored / usual, (0.35, -5), (0.6, -1), (0.7, 0)), "the focus turns back"
