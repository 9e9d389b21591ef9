"""Frames whose view was blocked: a hand that ends a sequence, a person who walks by.

Such a frame may still resemble its neighbours enough to be lined up with them, the more so the more blurred the hand
is. It gives itself away by a large part, in from the border, whose light differs from all neighbours, far more than a
step of focus changes it. At an end of the stack it closes the sequence and goes. Between two frames it may be the only
one that is sharp somewhere: there it goes only where it resembles them little, or where little of it can be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.picture_calls import warp_grid
from nearfar.merge.register import FramePose

F32 = NDArray[np.float32]

REDUCED = 4
"""Pixels of the small picture (a quarter of full size) that become one place, both ways."""
CELL = 4
"""Places whose light is compared as one cell (64 pixels of the frame), both ways."""
DIFFERENT_EV = 0.5
"""Difference in light from which a cell counts as another thing."""
ALIKE_EV = 0.2
"""Within this much, cells show the same difference."""
SHARE = 0.08
"""Share of the cells from which on something is held before the lens. Where nothing is, frames of rendered stacks of
all kinds stay at 0, but for movement."""
ALIKE = 0.85
"""Frames between others that resemble a neighbour more than this stay ..."""
MOST = 0.4
"""... unless so much of them is covered. (All these thresholds are our own, measured on rendered stacks.)"""
DARK = 0.01
"""Linear light that is added before the comparison, so that noise in black counts for nothing."""


def light_places(small: F32) -> F32:
    """Mean linear light of places of 16 pixels, from the small picture (h // 4, w // 4)."""
    rows, cols = max(1, small.shape[0] // REDUCED), max(1, small.shape[1] // REDUCED)
    part = small[: rows * REDUCED, : cols * REDUCED]
    height, width = part.shape[0] // rows, part.shape[1] // cols
    blocks = part[: rows * height, : cols * width].reshape(rows, height, cols, width)
    return np.ascontiguousarray(blocks.mean(axis=(1, 3)), np.float32)


def cells_between(first: NDArray[np.float64], second: NDArray[np.float64], cell: int) -> NDArray[np.float64]:
    """The pose (2, 3) from one frame's cells to another's, from the poses that carry the reference to each."""
    whole = [np.vstack([p, [0, 0, 1]]) for p in (first, second)]
    between = (whole[1] @ np.linalg.inv(whole[0]))[:2]
    middle = (cell - 1) / 2
    between[:, 2] = (between[:, :2] @ [middle, middle] + between[:, 2] - middle) / cell
    return np.ascontiguousarray(between)


def share_that_differs(own: F32, other: F32, step: NDArray[np.float64]) -> float:
    """Share of a frame that the largest part takes that reaches its border and whose light differs from another
    frame's, seen through ``step``. Cells that the other frame does not cover whole say nothing.

    What most cells differ by alike is the gain; that of the registration is off where a hand covers much.
    """
    rows, cols = own.shape
    x, y = np.meshgrid(np.arange(cols), np.arange(rows))
    u, v = (p[0] * x + p[1] * y + p[2] for p in step)
    inside = (u >= 0) & (u <= cols - 1) & (v >= 0) & (v <= rows - 1)
    one, two = (_cells(plane) for plane in (own, warp_grid(other, step)))
    told = _cells(inside.astype(np.float32)) > 0.999
    if not told.any():
        return 0.0
    apart = np.log2((one + DARK) / (two + DARK))
    differs = told & (np.abs(apart - _commonest(apart[told])) > DIFFERENT_EV)
    if not differs.any():
        return 0.0
    outside = np.pad(~told, 1, constant_values=True).astype(np.uint8)
    border = cv2.dilate(outside, np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    _, labels = cv2.connectedComponents(differs.astype(np.uint8), connectivity=8)
    sizes = np.bincount(labels[differs])
    return float(sizes[np.unique(labels[differs & border])].max(initial=0) / np.count_nonzero(told))


def _commonest(apart: F32) -> float:
    """Middle of the `ALIKE_EV` in which most values lie."""
    ordered = np.sort(apart)
    counts = np.searchsorted(ordered, ordered + np.float32(ALIKE_EV), side="right") - np.arange(len(ordered))
    first = int(counts.argmax())
    return float(ordered[first : first + int(counts[first])].mean())


def _cells(plane: F32) -> F32:
    """Means over `CELL` x `CELL` places, fewer at the right and lower edge."""
    rows, cols = (max(1, n // CELL) for n in plane.shape)
    return np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def covered_frames(frames: Sequence[FramePose], small: Callable[[int], F32]) -> dict[int, float]:
    """Places of the frames before which something was held, and the share of the picture that it covers.

    Parameters
    ----------
    frames
        As registered.
    small
        Reads a frame's small picture, linear light.
    """
    used = [k for k, f in enumerate(frames) if f.used and f.pose is not None]
    if len(used) < 3:
        return {}
    held: dict[int, F32] = {}

    def light(place: int) -> F32:
        for old in [k for k in held if k < place - 8]:
            del held[old]
        if place not in held:
            held[place] = light_places(small(place))
        return held[place]

    found = {}
    for at, place in enumerate(used):
        beside = used[max(0, at - 2) : at] + used[at + 1 : at + 3]
        shares = [_share(frames[place], frames[k], light(place), light(k)) for k in beside]
        is_end = at in (0, len(used) - 1)
        stays = not is_end and frames[place].likeness >= ALIKE and min(shares) <= MOST
        if min(shares) > SHARE and not stays:
            found[place] = float(np.median(shares))
    return found


def _share(one: FramePose, two: FramePose, own: F32, other: F32) -> float:
    assert one.pose is not None  # noqa: S101 - only frames with a pose are compared
    assert two.pose is not None  # noqa: S101
    return share_that_differs(own, other, cells_between(one.pose, two.pose, 4 * REDUCED))


def why(share: float) -> str:
    """The remark in the report."""
    return (
        f"something is held before the lens: {100 * share:.0f} % of it shows other light than its neighbours"
    )
