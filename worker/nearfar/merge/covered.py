"""Frames before which something was held: a hand that ends a sequence, a person who walks by.

Such a frame may still resemble its neighbours enough to be lined up with them. It gives itself away by large parts
whose light differs from both neighbours, far more than a step of focus changes it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.picture_calls import warp_grid
from nearfar.merge.register import FramePose

F32 = NDArray[np.float32]

REDUCED = 16
"""Pixels of the small picture (a quarter of full size) that become one cell, both ways."""
DIFFERENT_EV = 0.5
"""Difference in light from which a cell counts as another thing."""
SHARE = 0.12
"""Share of the cells from which on something is held before the lens."""
ALIKE = 0.85
"""Frames that resemble a neighbour more than this are not looked at. (All four thresholds are our own, measured on
rendered stacks.)"""
DARK = 0.01
"""Linear light that is added before the comparison, so that noise in black counts for nothing."""


def light_cells(small: F32) -> F32:
    """Mean linear light of cells of 64 pixels, from the small picture (h // 4, w // 4)."""
    rows, cols = max(1, small.shape[0] // REDUCED), max(1, small.shape[1] // REDUCED)
    part = small[: rows * REDUCED, : cols * REDUCED]
    height, width = part.shape[0] // rows, part.shape[1] // cols
    blocks = part[: rows * height, : cols * width].reshape(rows, height, cols, width)
    return np.asarray(blocks.mean(axis=(1, 3)), np.float32)


def cells_between(first: NDArray[np.float64], second: NDArray[np.float64], cell: int) -> NDArray[np.float64]:
    """The pose (2, 3) from one frame's cells to another's, from the poses that carry the reference to each."""
    whole = [np.vstack([p, [0, 0, 1]]) for p in (first, second)]
    between = (whole[1] @ np.linalg.inv(whole[0]))[:2]
    middle = (cell - 1) / 2
    between[:, 2] = (between[:, :2] @ [middle, middle] + between[:, 2] - middle) / cell
    return np.ascontiguousarray(between)


def share_that_differs(own: F32, other: F32, step: NDArray[np.float64], gain_ev: float) -> float:
    """Share of a frame's cells whose light differs from another frame's, seen through ``step`` and less the gain."""
    seen = warp_grid(other, step)
    difference = np.log2((own + DARK) / (seen + DARK)) - gain_ev
    return float((np.abs(difference) > DIFFERENT_EV).mean())


def covered_frames(frames: Sequence[FramePose], small: Callable[[int], F32]) -> dict[int, float]:
    """Places of the frames before which something was held, and the share of the picture that it covers.

    Parameters
    ----------
    frames
        As registered.
    small
        Reads a frame's small picture, linear light.
    """
    used = [k for k, f in enumerate(frames) if f.used]
    if len(used) < 3:
        return {}
    found = {}
    for at, place in enumerate(used):
        if frames[place].likeness >= ALIKE:
            continue
        own = light_cells(small(place))
        shares = []
        for beside in used[max(0, at - 2) : at] + used[at + 1 : at + 3]:
            one, two = frames[place], frames[beside]
            if one.pose is None or two.pose is None:
                continue
            step = cells_between(one.pose, two.pose, 4 * REDUCED)
            other = light_cells(small(beside))
            shares.append(share_that_differs(own, other, step, one.gain_ev - two.gain_ev))
        if shares and min(shares) > SHARE:
            found[place] = float(np.median(shares))
    return found
