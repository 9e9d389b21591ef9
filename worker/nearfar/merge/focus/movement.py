"""Movement: what is somewhere else in the next frame must be taken whole from one frame, or it shows twice.

Between neighbours focus changes little: whatever stays in place keeps its pattern, a little softer, and what moved does not.
So the coarse patterns of neighbours are correlated cell by cell. Where an admitted frame and its neighbour disagree, the
cells around are joined to a region, and only the frame that is sharpest over the region stays admitted there, or over a
zone of it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusWriter, covered, in_order
from nearfar.merge.focus.seen import FocusFrame, cell_pose
from nearfar.merge.kernel.bend import F64, Bend
from nearfar.merge.kernel.picture_calls import CELL, blur_grid, grow_grid, warp_grid

F32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

LARGE = 6_000_000
"""Pixels of a frame from which patterns are compared at an eighth of its size instead of a quarter."""
ALIKE = 0.6
"""Correlation below which neighbours show something else. On rendered brackets that hold still 999 of 1000 cells reach
.89, and half of those in which leaves sway fall below .8 (python -m pytest tests/worker/merge/test_movement.py)."""
SPANS = (1, 4)
"""How many frames further on a pattern is compared. What creeps shows between frames further apart, of which only
those are looked at that are both let in and ..."""
ALIKE_SHARP = 0.5
"""... of which the less sharp one is at least so sharp as the other."""
FOUND, SURELY, SURE_CELLS = 0.8, 0.9, 3
"""Between these, blur alone makes much unlike. So the pattern must be found again elsewhere, correlated so much, in a
region of which so many cells are as certain as the second number, ..."""
AS_STRONG, CLEARLY = 1.3, 0.25
"""... about as strong, and for certainty so much better than at the same place, ..."""
PATCH, STEP, LEAST_STEP = 9, 6, 2
"""... by surroundings of so many places each way, at most and at least so many places away."""
CREEPING = 1000
"""Cells that are not alike from which on that is no small thing that creeps, and is not looked at (.1 ms a cell)."""
CONTRAST = 0.012
"""Least contrast of the pattern in both frames, as square root of light; cells with less are not compared."""
FAINT, BLURRED = 4.0, 0.3
"""A pattern of less than so many times the least power, and of less than the second share of its neighbour's, decides
nothing: wide steps blur both frames then, and what blur leaves of a pattern is turned over or comes from beside it."""
KEPT = 0.35
"""Share of the stronger pattern's power that the weaker one must have in half of the cells at least, for two neighbours to
tell anything: over wider steps blur alone makes half of the patterns another one, from what lies beside them."""
LAMP, BRIGHT = 4.0, 0.8
"""A place of so many times the light of a cell in or beside which it lies, and of so much of white, is a lamp: out of focus
a disk that grows, which changes patterns and moves nothing."""
FOLDED = 0.07
"""Share of the energy of the two bands next to a pattern that may lie in it without belonging there: means of 4 x 4 pixels
fold finer detail into it, otherwise for every shift of a frame. So weave and print seem to change from frame to frame."""
DETAIL, SOFT, AROUND = 2.5, 0.6, 2.0
"""Sigmas in places: of the filter that removes coarser detail, of the one that removes finer, and of the surroundings that
are correlated."""
FEWEST = 2
"""The fewest cells of a region."""
LARGEST = 0.2
"""The largest share of the picture that is taken from one frame. A larger region reaches over several depths, as water
does ..."""
ZONE = 2.0
"""... and falls into zones: in each the frame that is sharpest around, by a Gaussian of so many cells."""
MOST = 40
"""Regions that are reported, largest first."""


@dataclass(frozen=True, kw_only=True)
class Moved:
    """Where something moved: ``box`` x, y, w, h in pixels, place of the ``frame`` taken there, number of ``cells``."""

    box: tuple[int, int, int, int]
    frame: int
    cells: int

    def as_json(self, names: Sequence[str]) -> dict[str, Any]:
        """As the report has it."""
        return {"box": list(self.box), "frame": names[self.frame]}


def take_from_one(
    frames: Sequence[FocusFrame],
    small: Sequence[Callable[[], F32]],
    writer: FocusWriter,
    *,
    size: tuple[int, int],
    threads: int,
    tick: Callable[[], None],
) -> list[Moved]:
    """Find regions in which something moved, and admit only one frame there; returns them, largest first.

    Parameters
    ----------
    small
        For each frame a function that reads its linear-light luma, means of 4 x 4 pixels.
    writer
        The volume that the focus step filled; its admission is changed.
    """
    rows, count, cols = writer.admitted.shape
    differs = np.zeros((rows, cols), np.uint8)
    crept = np.zeros((rows, cols), np.float32)
    held: deque[_Look] = deque(maxlen=max(SPANS))

    def look(k: int) -> _Look:
        return _look(small[k](), frames[k], size, (rows, cols))

    for k, here in enumerate(in_order(list(range(count)), look, threads)):
        for span in [s for s in SPANS if s <= len(held)]:
            if span == 1 and not _tell(held[-1], here):
                continue
            let_in = _compared(writer, k - span, k)
            apart = let_in & _differ(held[-span], here, neighbours=span == 1)
            if span == 1:
                differs |= apart.view(np.uint8)
            else:
                crept = np.maximum(crept, _found_elsewhere(apart, held[-span], here))
        held.append(here)
        tick()
    differs |= _certain(crept).view(np.uint8)
    return _settle(differs, frames, writer, size)


def _compared(writer: FocusWriter, first: int, second: int) -> Bools:
    """Mask of the cells to compare two frames in: neighbours if one is admitted, others if both are, about as sharp."""
    one, two = (writer.admitted[:, k] > 0 for k in (first, second))
    if second == first + 1:
        return np.asarray(one | two)
    sharp = [writer.prior[:, k].astype(np.float32) for k in (first, second)]
    alike = np.minimum(*sharp) > np.float32(ALIKE_SHARP) * np.maximum(*sharp)
    return np.asarray(one & two & alike)


@dataclass(frozen=True, kw_only=True)
class _Look:
    """A frame's ``pattern``, its ``strength`` around each cell, the cells where it has one that is ``whole``, and those that
    ``lamps`` light.

    Of the strength goes what finer detail may have added to it.
    """

    pattern: F32
    strength: F32
    whole: Bools
    lamps: Bools


def _look(small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int]) -> _Look:
    plane = _plane(small, frame, size, shape)
    pattern = cv2.GaussianBlur(plane - cv2.GaussianBlur(plane, (0, 0), DETAIL), (0, 0), SOFT)
    outside = (~_inside(frame, shape, size)).view(np.uint8)
    if outside.any():
        outside = grow_grid(grow_grid(outside))  # a pattern reaches two cells
    edge = np.ones(shape, np.bool_)
    edge[1:-1, 1:-1] = False  # there one frame ends where another goes on
    strength = np.maximum(_around(pattern * pattern, shape) - _folded(frame, size), 0)
    return _Look(
        pattern=np.asarray(pattern, np.float32),
        strength=strength,
        whole=(outside == 0) & ~edge,
        lamps=_lamps(plane * plane, shape),
    )


def _lamps(light: F32, shape: tuple[int, int]) -> Bools:
    """Cells in or beside which a place is far brighter than they are."""
    each = light.shape[0] // shape[0]
    mean = cv2.resize(light, shape[::-1], interpolation=cv2.INTER_AREA)
    brightest = light.reshape(shape[0], each, shape[1], each).max(axis=(1, 3))
    near = cv2.dilate(brightest, np.ones((3, 3), np.uint8))
    return np.asarray((near > np.float32(BRIGHT)) & (near > np.float32(LAMP) * mean))


def _folded(frame: FocusFrame, size: tuple[int, int]) -> F32:
    """Power (R, C) that finer detail may have in a frame's pattern."""
    energy, _ = frame.read()
    finest = 1 if _side(size) == 8 else 0
    fine = (energy[finest] + energy[finest + 1]) * np.float32(FOLDED * 2.0 ** (-2 * frame.gain_ev / 2.2))
    return warp_grid(np.ascontiguousarray(fine, np.float32), cell_pose(frame.pose), frame.bend)


def _side(size: tuple[int, int]) -> int:
    """Pixels along one side of a place in a pattern."""
    return 8 if size[0] * size[1] > LARGE else 4


def _plane(small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int]) -> F32:
    """Square root of a frame's light, in the picture's geometry: so many places a cell each way."""
    side = _side(size)
    if side == 8:
        small = np.asarray(cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32)
    plane = np.sqrt(small * np.float32(2.0**-frame.gain_ev))
    pose = np.array(frame.pose, np.float64)
    middle = (side - 1) / 2
    pose[:, 2] = (pose[:, :2] @ (middle, middle) + pose[:, 2] - middle) / side
    each = CELL // side
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    whole = (shape[1] * each, shape[0] * each)
    if frame.bend is not None:
        return _bent(plane, pose, frame.bend, whole, side)
    plane = cv2.warpAffine(plane, pose, whole, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(plane, np.float32)


def _bent(plane: F32, pose: F64, bend: Bend, whole: tuple[int, int], side: int) -> F32:
    """The same of a frame that is bent beyond its pose; places count ``side`` pixels."""
    y, x = np.mgrid[: whole[1], : whole[0]].astype(np.float64)
    middle = (side - 1) / 2
    du, dv = bend.at(side * x + middle, side * y + middle)
    u, v = (p[0] * x + p[1] * y + p[2] + d / side for p, d in zip(pose, (du, dv), strict=True))
    maps = (u.astype(np.float32), v.astype(np.float32))
    return np.asarray(cv2.remap(plane, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def _around(plane: F32, shape: tuple[int, int]) -> F32:
    """Mean of a plane around each cell."""
    each = plane.shape[0] // shape[0]
    cells = cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(cells, (0, 0), AROUND / each), np.float32)


def _tell(one: _Look, other: _Look) -> bool:
    """Whether blur leaves enough of the patterns of two neighbours for them to be compared."""
    weaker, stronger = np.minimum(one.strength, other.strength), np.maximum(one.strength, other.strength)
    strong = one.whole & other.whole & (stronger > FAINT * CONTRAST**2)
    return bool(np.count_nonzero(weaker[strong] > np.float32(KEPT) * stronger[strong]) >= 0.5 * strong.sum())


def _differ(one: _Look, other: _Look, *, neighbours: bool) -> Bools:
    """Cells that both have whole, in which both patterns are strong and not alike.

    Where steps are as wide as in a stack of five frames, blur alone makes neighbours less alike, the more the softer one is:
    then that much of the weaker pattern is asked for in the stronger.
    """
    product = _around(one.pattern * other.pattern, one.whole.shape[:2])
    powers = one.strength, other.strength
    weaker = np.minimum(*powers)
    strong = weaker > CONTRAST**2
    if neighbours:
        strong &= ~(one.lamps | other.lamps)
        strong &= (weaker > FAINT * CONTRAST**2) | (weaker > np.float32(BLURRED) * np.maximum(*powers))
    alike = product >= ALIKE * (weaker if neighbours else np.sqrt(powers[0] * powers[1]))
    return np.asarray(one.whole & other.whole & strong & ~alike)


def _found_elsewhere(apart: Bools, one: _Look, other: _Look) -> F32:
    """How well the pattern of these cells in one look is found elsewhere in the other, or the other way
    round; 0 where it is not.
    """
    out = np.zeros(apart.shape, np.float32)
    if np.count_nonzero(apart) > CREEPING:
        return out
    each = one.pattern.shape[0] // apart.shape[0]
    for y, x in zip(*np.nonzero(apart), strict=True):
        at = int(y) * each + each // 2, int(x) * each + each // 2
        out[y, x] = max(
            _moved_from(one.pattern, other.pattern, at), _moved_from(other.pattern, one.pattern, at)
        )
    return out


def _moved_from(one: F32, other: F32, at: tuple[int, int]) -> float:
    """How well the surroundings of a place in one pattern are found in the other, 0 where at the same place."""
    far = PATCH + STEP
    if min(at) < far or at[0] >= one.shape[0] - far or at[1] >= one.shape[1] - far:
        return 0.0
    patch = one[at[0] - PATCH : at[0] + PATCH + 1, at[1] - PATCH : at[1] + PATCH + 1]
    around = other[at[0] - far : at[0] + far + 1, at[1] - far : at[1] + far + 1]
    found = cv2.matchTemplate(around, np.ascontiguousarray(patch), cv2.TM_CCOEFF_NORMED)
    y, x = divmod(int(np.argmax(found)), found.shape[1])
    top, left = at[0] - far + y, at[1] - far + x
    there = other[top : top + len(patch), left : left + len(patch)]
    if (
        max(abs(y - STEP), abs(x - STEP)) < LEAST_STEP
        or not 1 / AS_STRONG < patch.std() / there.std() < AS_STRONG
    ):
        return 0.0
    best, here = float(found[y, x]), float(found[STEP, STEP])
    return best if best > here + CLEARLY else min(best, SURELY)


def _certain(crept: F32) -> Bools:
    """Mask of the cells whose pattern was found elsewhere, that lie near each other, and of which some are certain."""
    found = crept > FOUND
    near = grow_grid(grow_grid(found.astype(np.uint8)))
    count, labels = cv2.connectedComponents(near, connectivity=8)
    sure = np.bincount(labels[crept > SURELY], minlength=count) >= SURE_CELLS
    return np.asarray(found & sure[labels])


def _settle(
    differs: NDArray[np.uint8], frames: Sequence[FocusFrame], writer: FocusWriter, size: tuple[int, int]
) -> list[Moved]:
    """Regions of cells that differ, grown by one, each given to the frame that is sharpest in it, or in zones to several."""
    count, labels = cv2.connectedComponents(grow_grid(np.ascontiguousarray(differs)), connectivity=8)
    if count == 1:
        return []
    inside = np.stack([_inside(f, differs.shape, size) for f in frames])
    out = []
    for label in range(1, count):
        region = labels == label
        if np.count_nonzero(region & (differs > 0)) < FEWEST:
            continue
        y, x = np.nonzero(region)
        sharp = writer.prior[y, :, x].T.astype(np.float64) * inside[:, y, x]
        chosen = int(np.argmax(sharp.sum(axis=1) * inside[:, y, x].all(axis=1)))
        each = np.full(len(y), chosen, np.intp)
        if region.mean() > LARGEST:
            each = _zones(region, writer, inside)
        writer.admitted[y, :, x] = 0
        writer.admitted[y, each, x] = 1
        for frame in np.unique(each).tolist():
            box = _box(x[each == frame], y[each == frame], size)
            out.append(Moved(box=box, frame=frame, cells=int(np.count_nonzero(each == frame))))
    return sorted(out, key=lambda m: (-m.cells, m.box))


def _box(x: NDArray[np.intp], y: NDArray[np.intp], size: tuple[int, int]) -> tuple[int, int, int, int]:
    """x, y, w, h in pixels of the picture around cells."""
    left, top = int(x.min()) * CELL, int(y.min()) * CELL
    right, bottom = min(size[0], (int(x.max()) + 1) * CELL), min(size[1], (int(y.max()) + 1) * CELL)
    return left, top, right - left, bottom - top


def _zones(region: Bools, writer: FocusWriter, inside: Bools) -> NDArray[np.intp]:
    """For each cell of a region the frame that is sharpest in the region around it: wide zones with few seams."""
    best = np.full(region.shape, -1, np.float32)
    which = np.zeros(region.shape, np.intp)
    for k, there in enumerate(inside):
        sharp = np.where(region & there, writer.prior[:, k], 0).astype(np.float32)
        around = blur_grid(sharp, ZONE)
        better = there & (around > best)
        best[better], which[better] = around[better], k
    return which[region]


def _inside(frame: FocusFrame, shape: tuple[int, ...], size: tuple[int, int]) -> Bools:
    """Mask of the picture's cells that the frame covers."""
    return covered(frame.pose, (shape[0], shape[1]), size, frame.bend)
