"""Visitors: who stands in the picture for one frame only, as people do who walk through a view.

Before a plain sky no pattern tells them, since the other frames have none there, and their outlines are the sharpest that
any frame has: so heads without bodies were left over. But a visitor changes the light of cells, which blur hardly does.
Where the frame before and the one after agree and the one between does not, that frame is not let in. A shadow that passes
changes light as well, but leaves the pattern of what it falls on: that frame stays, since it may alone be sharp there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusWriter, covered, in_order
from nearfar.merge.focus.patterns import kept
from nearfar.merge.focus.seen import FocusFrame, cell_pose
from nearfar.merge.kernel.picture_calls import blur_grid, grow_grid, warp_grid

F32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

AROUND = 0.7
"""Sigma in cells of the surroundings whose light is compared."""
CERTAIN, FAINT, CERTAIN_CELLS = np.float32(0.12), np.float32(0.05), 3
"""By how much of encoded luma a frame stands out where it is certain, where it belongs to that, and how many cells are
certain. In 34 stacks in which nothing moves no cell stands out by more than .06; people who pass do by .2 to .5."""
LARGEST = 0.2
"""Share of the picture above which a change of light is no visitor, but a cloud, a lamp or a hand (our own threshold)."""
AGREE = np.float32(1 / 3)
"""The two frames beside it differ by less than this share of that."""
SHARP = 0.5
"""Share of the best of the remaining frames' sharpness from which one is let in in a visitor's place."""
PATTERNED, SHADOWED = 0.3, 0.7
"""Share of a region in which a frame and one beside it both have a pattern, and of these cells where it is the same, from
which on it is a shadow."""


def light_of(frame: FocusFrame) -> F32:
    """A frame's mean encoded luma (R, C) in the picture's geometry, at the stack's brightness."""
    _, mean = frame.read()
    light = warp_grid(mean, cell_pose(frame.pose), frame.bend) * np.float32(frame.to_level)
    return np.asarray(light, np.float32)


def leave_out_visitors(
    frames: Sequence[FocusFrame],
    writer: FocusWriter,
    *,
    size: tuple[int, int],
    threads: int,
    small: Sequence[Callable[[], F32]] | None = None,
) -> dict[int, Bools]:
    """Take visitors out of the admission and the prior of ``writer``; masks of their cells (R, C) by place of the frame.

    The first and the last frame are compared with the two that are nearest. ``small``: as of `movement.take_from_one`;
    without it shadows are not told from visitors. Cost: a warp of a grid for each frame.
    """
    rows, count, cols = writer.admitted.shape
    shape = (rows, cols)
    if count < 3:
        return {}
    held: deque[tuple[F32, Bools]] = deque(maxlen=3)

    def look(k: int) -> tuple[F32, Bools]:
        return blur_grid(light_of(frames[k]), AROUND), covered(frames[k].pose, shape, size, frames[k].bend)

    found = {}
    for k, seen in enumerate(in_order(list(range(count)), look, threads)):
        held.append(seen)
        if k < 2:
            continue
        before, here, after = held
        found[k - 1] = _standing(here, before, after)
        if k == 2:
            found[0] = _standing(before, here, after)
        if k == count - 1:
            found[k] = _standing(after, here, before)
    there = {k: cells for k, cells in found.items() if cells.any()}
    if small is not None:
        there = {k: _not_shadows(frames, small, k, cells, size) for k, cells in there.items()}
        there = {k: cells for k, cells in there.items() if cells.any()}
    if there:
        _let_others_in(there, writer)
    return there


def _standing(here: tuple[F32, Bools], one: tuple[F32, Bools], other: tuple[F32, Bools]) -> Bools:
    """Cells in which a frame has other light than two that agree, joined around those that are certain, and grown."""
    both = one[0] + np.float32(0.5) * (other[0] - one[0])
    apart = np.abs(here[0] - both)
    alone = (np.abs(one[0] - other[0]) < AGREE * apart) & here[1] & one[1] & other[1]
    faint = alone & (apart > FAINT)
    count, labels = cv2.connectedComponents(faint.view(np.uint8), connectivity=8)
    sure = np.bincount(labels[faint & (apart > CERTAIN)], minlength=count) >= CERTAIN_CELLS
    sure &= np.bincount(labels.ravel(), minlength=count) <= LARGEST * labels.size
    sure[0] = False
    return np.asarray(grow_grid(np.ascontiguousarray(sure[labels], np.uint8)) > 0)


def _not_shadows(
    frames: Sequence[FocusFrame],
    small: Sequence[Callable[[], F32]],
    k: int,
    cells: Bools,
    size: tuple[int, int],
) -> Bools:
    """The cells of a frame without the regions in which it shows the pattern of a frame beside it."""
    out = cells.copy()
    count, labels = cv2.connectedComponents(cells.view(np.uint8), connectivity=8)
    for label in range(1, count):
        region = labels == label
        inner = cv2.erode(region.view(np.uint8), np.ones((3, 3), np.uint8)) > 0  # it was grown by a cell
        for beside in (k - 1, k + 1):
            if 0 <= beside < len(frames) and inner.any():
                both, same = kept(frames, small, (k, beside), inner, size=size)
                if both >= PATTERNED and same >= SHADOWED:
                    out &= ~region
    return out


def _let_others_in(there: dict[int, Bools], writer: FocusWriter) -> None:
    """No visitor is admitted; where that changes anything, all that is nearly as sharp as the best of the others is."""
    lost = np.zeros((writer.admitted.shape[0], writer.admitted.shape[2]), np.bool_)
    for k, cells in there.items():
        lost |= cells & (writer.admitted[:, k] > 0)
    for k, cells in there.items():
        writer.admitted[:, k][cells] = 0
        writer.prior[:, k][cells] = 0
    y, x = np.nonzero(lost)
    sharp = writer.prior[y, :, x].astype(np.float32)
    away = np.stack(
        [there[k][y, x] if k in there else np.zeros(len(y), np.bool_) for k in range(sharp.shape[1])], axis=1
    )
    sharp = np.where(away, np.float32(-1), sharp)
    nearly = ~away & (sharp >= np.float32(SHARP) * sharp.max(axis=1, keepdims=True))
    writer.admitted[y, :, x] = np.maximum(writer.admitted[y, :, x], nearly.astype(np.uint8))
