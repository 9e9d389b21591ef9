"""Patterns of frames, and in which cells they are not those of the frames before.

A pattern is what remains of a frame's small picture without coarser detail and finer noise, in the picture's geometry. It
depends on the frame and its pose alone, so that two processes can share a stack's frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import reduce
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.blown import WHITE
from nearfar.merge.focus.find import covered, in_order
from nearfar.merge.focus.seen import FocusFrame, cell_pose, side_of, small_plane
from nearfar.merge.kernel.picture_calls import grow_grid, warp_grid

F32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

ALIKE = 0.6
"""Correlation below which neighbours show something else. On rendered brackets that hold still 999 of 1000 cells reach
.89, and half of those in which leaves sway fall below .8 (python -m pytest tests/worker/merge/test_movement.py)."""
SPANS = (1, 4)
"""How many frames further on a pattern is compared. What creeps shows between frames further apart."""
PATCH = 9
"""Places each way of the surroundings by which a pattern that is not alike is looked for elsewhere (`movement`)."""
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
ONE_WAY = 0.75
"""Share of the changes of light in a region beside blown light from which on they go one way: that light spreads, and
nothing moves before it."""
FOLDED = 0.07
"""Share of the energy of the two bands next to a pattern that may lie in it without belonging there: means of 4 x 4 pixels
fold finer detail into it, otherwise for every shift of a frame. So weave and print seem to change from frame to frame."""
DETAIL, SOFT, AROUND = 2.5, 0.6, 2.0
"""Sigmas in places: of the filter that removes coarser detail, of the one that removes finer, and of the surroundings that
are correlated."""


@dataclass(frozen=True, kw_only=True)
class Compared:
    """A frame's ``pattern``, and for each of `SPANS` the cells (R, C) in which it is not that of the frame so far before it;
    None where there is no such frame, or blur leaves too little.
    """

    pattern: F32
    apart: list[Bools | None]


class PatternShare(Protocol):
    """How two processes compare the patterns of one stack: each uses what the other has found."""

    def order(self, count: int) -> Sequence[int]:
        """Numbers of all ``count`` frames, in the order in which this process should see to them."""

    def take(self, step: str, piece: int, kinds: Sequence[type]) -> Any:
        """What the other process found for a frame, built of these data classes, or None."""

    def give(self, step: str, piece: int, found: object) -> None:
        """Leave what this process found for a frame."""


def compare_all(
    frames: Sequence[FocusFrame],
    small: Sequence[Callable[[], F32]],
    shape: tuple[int, int],
    *,
    size: tuple[int, int],
    threads: int,
    share: PatternShare | None,
) -> Iterator[tuple[int, Compared]]:
    """Yield each frame's place and `Compared`, in order or in that of ``share``. Parameters as of `take_from_one`."""

    def look(k: int) -> _Look:
        return _look(small[k](), frames[k], size, shape)

    looks: dict[int, _Look] = {}
    if share is None:
        for k, here in enumerate(in_order(list(range(len(frames))), look, threads)):
            looks[k] = here
            yield k, _against_earlier(looks, k)
            looks.pop(k - max(SPANS), None)
        return
    order = share.order(len(frames))
    with ThreadPoolExecutor(threads) as pool:
        for some in (order[k : k + threads] for k in range(0, len(order), threads)):
            found = {k: share.take("pattern", k, (Compared,)) for k in some}
            need = {k - back for k in some if found[k] is None for back in (0, *SPANS) if k >= back}
            looks = {k: v for k, v in looks.items() if min(some) - max(SPANS) <= k <= max(some) + max(SPANS)}
            missing = sorted(need - set(looks))
            looks.update(zip(missing, pool.map(look, missing), strict=True))
            for k in some:
                if found[k] is None:
                    found[k] = _against_earlier(looks, k)
                    share.give("pattern", k, found[k])
                yield k, found.pop(k)


def _against_earlier(looks: Mapping[int, _Look], k: int) -> Compared:
    here, apart = looks[k], list[Bools | None]()
    for span in SPANS:
        before = looks.get(k - span)
        if before is None or (span == 1 and not _tell(before, here)):
            apart.append(None)
        else:
            apart.append(_differ(before, here, neighbours=span == 1))
    return Compared(pattern=here.pattern, apart=apart)


@dataclass(frozen=True, kw_only=True)
class _Look:
    """A frame's ``pattern``, its ``strength`` around each cell, the cells where it has one that is ``whole``, those that
    ``lamps`` light, and those in or beside which it is ``blown``; ``mean``: square root of light.

    Of the strength goes what finer detail may have added to it.
    """

    pattern: F32
    strength: F32
    whole: Bools
    lamps: Bools
    blown: Bools
    mean: F32


def light_plane(small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int]) -> F32:
    """Square root of a frame's light at the stack's brightness, in the picture's geometry; ``small``: see `compare_all`."""
    return small_plane(small * np.float32(2.0**-frame.gain_ev), frame, size, shape, root=True)


def _look(small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int]) -> _Look:
    plane = light_plane(small, frame, size, shape)
    pattern = cv2.GaussianBlur(plane - cv2.GaussianBlur(plane, (0, 0), DETAIL), (0, 0), SOFT)
    outside = (~covers(frame, shape, size)).view(np.uint8)
    if outside.any():
        outside = grow_grid(grow_grid(outside))  # a pattern reaches two cells
    edge = np.ones(shape, np.bool_)
    edge[1:-1, 1:-1] = False  # there one frame ends where another goes on
    strength = np.maximum(_around(pattern * pattern, shape) - _folded(frame, size), 0)
    lamps, blown = _bright(plane * plane, shape)
    return _Look(
        pattern=np.asarray(pattern, np.float32),
        strength=strength,
        whole=(outside == 0) & ~edge,
        lamps=lamps,
        blown=blown,
        mean=np.asarray(cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_AREA), np.float32),
    )


def _bright(light: F32, shape: tuple[int, int]) -> tuple[Bools, Bools]:
    """Cells in or beside which a place is far brighter than they are, and cells in or beside which one is blown."""
    each = light.shape[0] // shape[0]
    mean = cv2.resize(light, shape[::-1], interpolation=cv2.INTER_AREA)
    brightest = reduce(np.maximum, (light[y::each, x::each] for y in range(each) for x in range(each)))
    near = cv2.dilate(brightest, np.ones((3, 3), np.uint8))
    lamps = (near > np.float32(BRIGHT)) & (near > np.float32(LAMP) * mean)
    return np.asarray(lamps), np.asarray(near > WHITE)


def _folded(frame: FocusFrame, size: tuple[int, int]) -> F32:
    """Power (R, C) that finer detail may have in a frame's pattern."""
    energy, _ = frame.read()
    finest = 1 if side_of(size) == 8 else 0
    fine = (energy[finest] + energy[finest + 1]) * np.float32(FOLDED * frame.energy_to_level)
    return warp_grid(np.ascontiguousarray(fine, np.float32), cell_pose(frame.pose), frame.bend)


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
    blown = one.blown | other.blown
    if neighbours:
        strong &= ~(one.lamps | other.lamps)
        strong &= (weaker > FAINT * CONTRAST**2) | (weaker > np.float32(BLURRED) * np.maximum(*powers))
    else:
        strong &= ~blown
    alike = product >= ALIKE * (weaker if neighbours else np.sqrt(powers[0] * powers[1]))
    apart = np.asarray(one.whole & other.whole & strong & ~alike)
    if not neighbours:
        each = one.pattern.shape[0] // blown.shape[0]
        blown = cv2.dilate(blown.view(np.uint8), np.ones((2 * (PATCH // each) + 1,) * 2, np.uint8)) > 0
    return apart & ~_spreading(apart & blown, other.mean - one.mean)


def _spreading(cells: Bools, change: F32) -> Bools:
    """Those of the cells at blown light, joined to regions, in which nearly all becomes brighter, or darker, by ``change``.

    Out of focus blown light reaches further, all around, and its outline is as sharp as in focus. What moves before it
    covers some of it, and lays bare some.
    """
    if not cells.any():
        return cells
    count, labels = cv2.connectedComponents(
        grow_grid(np.ascontiguousarray(cells.view(np.uint8))), connectivity=8
    )
    change = np.where(labels > 0, change, np.float32(0)).astype(np.float64)
    one_way = np.abs(np.bincount(labels.ravel(), change.ravel(), count))
    both_ways = np.bincount(labels.ravel(), np.abs(change).ravel(), count)
    return np.asarray(cells & (one_way >= ONE_WAY * both_ways)[labels])


def kept(
    frames: Sequence[FocusFrame],
    small: Sequence[Callable[[], F32]],
    pair: tuple[int, int],
    cells: Bools,
    *,
    size: tuple[int, int],
) -> tuple[float, float]:
    """Share of ``cells`` (R, C) in which both frames of a pair have a pattern, and share of these in which it is the same.

    ``frames``, ``small``, ``size``: as of `compare_all`.
    """
    shape = (cells.shape[0], cells.shape[1])
    one, other = (_look(small[k](), frames[k], size, shape) for k in pair)
    weaker = np.minimum(one.strength, other.strength)
    strong = cells & one.whole & other.whole & (weaker > CONTRAST**2)
    same = strong & (_around(one.pattern * other.pattern, shape) >= ALIKE * weaker)
    count = float(strong.sum())
    return count / float(cells.sum()), float(same.sum()) / max(count, 1.0)


def covers(frame: FocusFrame, shape: tuple[int, ...], size: tuple[int, int]) -> Bools:
    """Mask of the picture's cells that the frame covers."""
    return covered(frame.pose, (shape[0], shape[1]), size, frame.bend)
