"""Movement: what is somewhere else in the next frame must be taken whole from one frame, or it shows twice.

Between neighbours focus changes little: whatever stays in place keeps its pattern, a little softer, and what moved does not.
So the coarse patterns of neighbours are correlated cell by cell. Where an admitted frame and its neighbour disagree, the
cells around are joined to a region, and only the frame that is sharpest over what moved stays admitted there, with one more
beside it for what lies around, or over a zone of it. Who stands in one frame only is left out before, see `visitors`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusWriter
from nearfar.merge.focus.patterns import PATCH, SPANS, PatternShare, compare_all, covers, light_plane
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.focus.visitors import leave_out_visitors, light_of
from nearfar.merge.kernel.picture_calls import CELL, blur_grid, grow_grid

F32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

ALIKE_SHARP = 0.5
"""Of frames further apart than neighbours only those are looked at that are both let in, and of which the less sharp one is
at least so sharp as the other."""
FOUND, SURELY, SURE_CELLS = 0.8, 0.9, 3
"""Between these, blur alone makes much unlike. So the pattern must be found again elsewhere, correlated so much, in a
region of which so many cells are as certain as the second number, ..."""
AS_STRONG, CLEARLY = 1.3, 0.25
"""... about as strong, and for certainty so much better than at the same place, ..."""
STEP, LEAST_STEP = 6, 2
"""... at most and at least so many places away, by surroundings of `PATCH` places each way."""
ONE_WAY = 0.75
"""... and so much of the length of the ways that its cells went must be left in their sum: what creeps goes one way, while
disks of light out of focus grow to all sides (.47 and .58; a creeper in `test_movement` 1)."""
NEAR, AS_LIT = 4, 0.4
"""Within so many places of them at most this share of what light differs by at the same place may be left there, in squares
over the region: blurred disks of light become brighter as they become smaller (.6; a creeper in `test_movement` .05)."""
CREEPING = 1000
"""Cells that are not alike from which on that is no small thing that creeps, and is not looked at (.1 ms a cell)."""
FEWEST = 2
"""The fewest cells of a region."""
LARGEST = 0.2
"""The largest share of the picture that is taken from one frame. A larger region reaches over several depths, as water
does ..."""
ZONE = 2.0
"""... and falls into zones: in each the frame that is sharpest around, by a Gaussian of so many cells."""
BEHIND = np.float32(0.5)
"""Share of the sharpest frame's sharpness below which the frame that has what moved leaves what is around it to
another ..."""
AS_BRIGHT = np.float32(0.05)
"""... that is as bright there: so much encoded luma means of cells may differ. Blur hardly changes them."""
FEWEST_BEHIND = 3
"""The fewest cells that it is given: fewer are a gap in what moved."""
MOST = 40
"""Regions that are reported, largest first."""


@dataclass(frozen=True, kw_only=True)
class Moved:
    """Where something moved: ``box`` x, y, w, h in pixels, place of the ``frame`` taken there, number of ``cells``.

    ``left_out``: the frame is the one that is not taken there, since it alone shows somebody.
    """

    box: tuple[int, int, int, int]
    frame: int
    cells: int
    left_out: bool = False

    def as_json(self, names: Sequence[str]) -> dict[str, Any]:
        """As the report has it."""
        told: dict[str, Any] = {"box": list(self.box), "frame": names[self.frame]}
        return {**told, "left_out": True} if self.left_out else told


def take_from_one(
    frames: Sequence[FocusFrame],
    small: Sequence[Callable[[], F32]],
    writer: FocusWriter,
    *,
    size: tuple[int, int],
    threads: int,
    tick: Callable[[], None],
    share: PatternShare | None = None,
) -> list[Moved]:
    """Find regions in which something moved, and admit only one frame there; returns them, largest first.

    Parameters
    ----------
    small
        For each frame a function that reads its linear-light luma, means of 4 x 4 pixels.
    writer
        The volume that the focus step filled; its admission is changed.
    share
        Given if another process compares patterns of the same stack; it changes no bit.
    """
    rows, _, cols = writer.admitted.shape
    differs = np.zeros((rows, cols), np.uint8)
    crept: list[_Crept] = []
    visitors = leave_out_visitors(frames, writer, size=size, threads=threads, small=small)
    patterns: deque[F32] = deque(maxlen=max(SPANS) + 1)

    def lit(pair: tuple[int, int]) -> tuple[F32, F32]:
        one, other = (light_plane(small[k](), frames[k], size, (rows, cols)) for k in pair)
        return one, other

    for k, here in compare_all(frames, small, (rows, cols), size=size, threads=threads, share=share):
        patterns.append(here.pattern)
        for span, apart in zip(SPANS, here.apart, strict=True):
            if apart is None:
                continue
            let_in = apart & _compared(writer, k - span, k)
            for place in (k - span, k):
                if place in visitors:
                    let_in &= ~visitors[place]
            if span == 1:
                differs |= let_in.view(np.uint8)
            else:
                light = partial(lit, (k - span, k))
                seen = _Pair(one=patterns[-1 - span], other=here.pattern, light=light)
                crept.append(_found_elsewhere(let_in, seen))
        tick()
    differs |= _certain(crept, (rows, cols)).view(np.uint8)
    found = _settle(differs, frames, writer, size)
    for k, cells in visitors.items():
        gone = cells & (writer.admitted[:, k] == 0)
        if gone.any():
            box = _box(*_columns_rows(gone), size)
            found.append(Moved(box=box, frame=k, cells=int(gone.sum()), left_out=True))
    return sorted(found, key=lambda m: (-m.cells, m.box))


def _compared(writer: FocusWriter, first: int, second: int) -> Bools:
    """Mask of the cells to compare two frames in: neighbours if one is admitted, others if both are, about as sharp."""
    one, two = (writer.admitted[:, k] > 0 for k in (first, second))
    if second == first + 1:
        return np.asarray(one | two)
    sharp = [writer.prior[:, k].astype(np.float32) for k in (first, second)]
    alike = np.minimum(*sharp) > np.float32(ALIKE_SHARP) * np.maximum(*sharp)
    return np.asarray(one & two & alike)


@dataclass(frozen=True, kw_only=True)
class _Crept:
    """Cells (K,) of one pattern that are found elsewhere in another: how ``alike``, 0..1, the ``way`` there, x + iy in
    places, and by how much light differs ``there`` and at the ``same`` place, mean squares.
    """

    y: NDArray[np.intp]
    x: NDArray[np.intp]
    alike: F32
    way: NDArray[np.complex128]
    there: F32
    same: F32


@dataclass(frozen=True, kw_only=True)
class _Pair:
    """The patterns of two frames, and what gives their light, as square roots, where it is needed."""

    one: F32
    other: F32
    light: Callable[[], tuple[F32, F32]]


def _found_elsewhere(apart: Bools, pair: _Pair) -> _Crept:
    """Which of these cells of one pattern are found elsewhere in the other, or the other way round."""
    one, other = pair.one, pair.other
    y, x = np.nonzero(apart)
    if len(y) > CREEPING:
        y, x = y[:0], x[:0]
    each = one.shape[0] // apart.shape[0]
    found, places = (
        [],
        list(zip((y * each + each // 2).tolist(), (x * each + each // 2).tolist(), strict=True)),
    )
    for at in places:
        there, back = _moved_from(one, other, at), _moved_from(other, one, at)
        found.append((*there, False) if there[0] >= back[0] else (*back, True))
    light = pair.light() if any(f[0] > 0 for f in found) else (one, other)
    differs = [_light_differs(light, at, f[1], back=f[2]) for at, f in zip(places, found, strict=True)]
    alike = np.array([f[0] for f in found], np.float32)
    seen = alike > 0
    way = np.array([-f[1] if f[2] else f[1] for f in found], np.complex128)
    apart_there, apart_here = np.array(differs, np.float32).reshape(-1, 2).T
    return _Crept(
        y=y[seen], x=x[seen], alike=alike[seen], way=way[seen], there=apart_there[seen], same=apart_here[seen]
    )


def _light_differs(
    light: tuple[F32, F32], at: tuple[int, int], way: complex, *, back: bool
) -> tuple[float, float]:
    """Mean square by which light around a place of one frame differs from that so far away in the other, and from that at
    the same place. ``back``: from the second frame to the first.
    """
    one, other = light[::-1] if back else light
    y, x = at[0] + round(way.imag), at[1] + round(way.real)
    here, there, same = (
        plane[v - NEAR : v + NEAR + 1, u - NEAR : u + NEAR + 1]
        for plane, v, u in ((one, *at), (other, y, x), (other, *at))
    )
    if here.shape != there.shape or not here.size:
        return 0.0, 0.0
    return float(((here - there) ** 2).mean()), float(((here - same) ** 2).mean())


def _moved_from(one: F32, other: F32, at: tuple[int, int]) -> tuple[float, complex]:
    """How well the surroundings of a place in one pattern are found in the other, 0 where at the same place, and how far."""
    far = PATCH + STEP
    if min(at) < far or at[0] >= one.shape[0] - far or at[1] >= one.shape[1] - far:
        return 0.0, 0j
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
        return 0.0, 0j
    best, here = float(found[y, x]), float(found[STEP, STEP])
    return best if best > here + CLEARLY else min(best, SURELY), complex(x - STEP, y - STEP)


def _certain(crept: Sequence[_Crept], shape: tuple[int, int]) -> Bools:
    """Mask (R, C) of the cells whose pattern was found elsewhere, that lie near each other, of which some are certain, and
    that went the same way and took their light with them.
    """
    alike = np.zeros(shape, np.float32)
    for c in crept:
        np.maximum.at(alike, (c.y, c.x), c.alike)
    found = alike > FOUND
    near = grow_grid(grow_grid(found.astype(np.uint8)))
    count, labels = cv2.connectedComponents(near, connectivity=8)
    sure = np.bincount(labels[alike > SURELY], minlength=count) >= SURE_CELLS
    together, far, there, same = (np.zeros(count) for _ in range(4))
    for c in crept:
        use = c.alike > FOUND
        region, way = labels[c.y[use], c.x[use]], c.way[use]
        sums = [np.bincount(region, part, count) for part in (way.real, way.imag)]
        together += np.hypot(*sums)
        far += np.bincount(region, np.abs(way), count)
        there += np.bincount(region, c.there[use], count)
        same += np.bincount(region, c.same[use], count)
    sure &= (together >= ONE_WAY * far) & (there <= AS_LIT * same)
    return np.asarray(found & sure[labels])


def _settle(
    differs: NDArray[np.uint8],
    frames: Sequence[FocusFrame],
    writer: FocusWriter,
    size: tuple[int, int],
) -> list[Moved]:
    """Regions of cells that differ, grown by one, each given to one frame or two, or in zones to several."""
    count, labels = cv2.connectedComponents(grow_grid(np.ascontiguousarray(differs)), connectivity=8)
    if count == 1:
        return []
    inside = np.stack([covers(f, differs.shape, size) for f in frames])
    out = []
    for label in range(1, count):
        region = labels == label
        if np.count_nonzero(region & (differs > 0)) < FEWEST:
            continue
        y, x = np.nonzero(region)
        if region.mean() > LARGEST:
            each = _zones(region, writer, inside)
        else:
            each = _two(region, region & (differs > 0), writer, inside, lambda k: light_of(frames[k]))[y, x]
        writer.admitted[y, :, x] = 0
        writer.admitted[y, each, x] = 1
        for frame in np.unique(each[differs[y, x] > 0]).tolist():
            box = _box(x[each == frame], y[each == frame], size)
            out.append(Moved(box=box, frame=frame, cells=int(np.count_nonzero(each == frame))))
    return out


def _columns_rows(cells: Bools) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    y, x = np.nonzero(cells)
    return x, y


def _box(x: NDArray[np.intp], y: NDArray[np.intp], size: tuple[int, int]) -> tuple[int, int, int, int]:
    """x, y, w, h in pixels of the picture around cells."""
    left, top = int(x.min()) * CELL, int(y.min()) * CELL
    right, bottom = min(size[0], (int(x.max()) + 1) * CELL), min(size[1], (int(y.max()) + 1) * CELL)
    return left, top, right - left, bottom - top


def _two(
    region: Bools, moved: Bools, writer: FocusWriter, inside: Bools, light: Callable[[int], F32]
) -> NDArray[np.intp]:
    """For each cell (R, C) of a region one of two frames: the one that is sharpest over what moved, and around that, where
    it shows nothing sharp, the one that is sharpest there, if both are about as bright: then neither shows what moved.

    ``moved``: the cells that differ, without those around them; ``light`` of a frame: encoded means (R, C).
    """
    whole = [k for k, there in enumerate(inside) if there[region].all()] or list(range(len(inside)))
    sharp = {k: writer.prior[:, k].astype(np.float32) * inside[k] for k in whole}
    chosen = max(whole, key=lambda k: (float(sharp[k][moved].sum(dtype=np.float64)), -k))
    best = np.max([sharp[k] for k in whole], axis=0)
    soft = region & ~_filled(moved) & (sharp[chosen] < BEHIND * best)
    each = np.full(region.shape, chosen, np.intp)
    if soft.any():
        other = max(whole, key=lambda k: (float(sharp[k][soft].sum(dtype=np.float64)), -k))
        soft &= (sharp[other] > sharp[chosen]) & (np.abs(light(other) - light(chosen)) < AS_BRIGHT)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(soft.view(np.uint8), connectivity=8)
        each[soft & (stats[labels, cv2.CC_STAT_AREA] >= FEWEST_BEHIND)] = other
    return each


def _filled(cells: Bools) -> Bools:
    """The cells with the gaps between them, up to four wide, and what they enclose."""
    edge = 4
    wide = np.pad(cells, edge).astype(np.uint8)
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    _, labels = cv2.connectedComponents(1 - closed, connectivity=4)
    return np.asarray((labels != labels[0, 0])[edge:-edge, edge:-edge])


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
