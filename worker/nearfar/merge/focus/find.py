"""Focus: for every cell of the picture, how sharp each frame is there and which frames are admitted.

Works on grids of cells of 16 pixels, one frame at a time in three passes, so that memory does not grow with the
number of frames:

1. the largest energy of each band over the frames, place by place, and how brightness changes there (`passing`);
2. each frame's sharpness relative to it: a prior for the tiles, and the frame that is best for the place and its
   surroundings, which fills plain areas from around, or by `broad` detail where nothing is sharp far around;
3. admission: what is nearly as sharp as the best, grown by a cell, and the best frame's neighbours.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus import broad, passing
from nearfar.merge.focus.grids import Grids
from nearfar.merge.focus.seen import FocusFrame, cell_pose
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.picture_calls import CELL, PRIOR_UNIT, blur_grid, grid_shape, grow_grid, warp_grid
from nearfar.merge.noise import Noise
from nearfar.merge.recipe import FocusRecipe

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

SNR_HALF = np.float32(0.3)
"""A band has half its weight in the prior if its largest energy is this multiple of the noise's."""
TRUST_HALF = np.float32(3.0)
"""The same for admission: if the largest energy is hardly above the noise, chance decides which frame has it."""
TRUST = np.float32(0.4)
"""Sharpness of the best frame from which a cell decides by itself; below it is plain, and its surroundings decide."""
AHEAD = 3
STANDS_OUT = np.float32(1.4)
"""How many frames on each side a frame must exceed to be a peak of its own, and by what factor the outermost of them."""
CLEAR = np.float32(3.0)
"""Multiple of the noise's energy from which a frame that is sharper than its neighbours is not so by chance."""
AROUND = ((1.0, 0.25), (3.0, 0.05), (9.0, 0.01))
"""Surroundings of a cell: sigma in cells, and weight."""
PRIOR_AROUND = ((0.6, 0.5), (1.6, 0.5))

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True, kw_only=True)
class FocusMap:
    """What the focus step finds, on cells (R, C).

    ``best``: index of the frame that is sharpest there or around. ``sharpest``: the one with the largest energy of
    the coarsest band, which tells even where nothing is quite sharp; ``beside`` (2, R, C): that energy in the frames
    before and after it, relative. ``certain`` 0..1: how far the best frame stands above the noise. ``peak``
    (3, R, C): largest energy of each band, less the noise. ``variance``: squared noise of one channel. ``luma``:
    mean encoded luma.
    """

    best: NDArray[np.int16]
    sharpest: NDArray[np.int16]
    beside: F32
    certain: F32
    peak: F32
    variance: F32
    luma: F32


def covered(
    pose: NDArray[np.float64], shape: tuple[int, int], size: tuple[int, int], bend: Bend | None = None
) -> NDArray[np.bool_]:
    """Mask (R, C) of the cells whose pixels, as far as they lie in the picture, are all covered by a frame."""
    width, height = size
    x = np.minimum(np.arange(shape[1] + 1) * CELL, width) - 0.5
    y = np.minimum(np.arange(shape[0] + 1) * CELL, height) - 0.5
    u = pose[0, 0] * x[None] + pose[0, 1] * y[:, None] + pose[0, 2]
    v = pose[1, 0] * x[None] + pose[1, 1] * y[:, None] + pose[1, 2]
    if bend is not None:
        du, dv = bend.at(x[None], y[:, None])
        u, v = u + du, v + dv
    inside = (u >= -0.501) & (u <= width - 0.499) & (v >= -0.501) & (v <= height - 0.499)
    return np.asarray(inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:])


def in_order(items: Sequence[T], work: Callable[[T], R], threads: int, *, ahead: int = 0) -> Iterator[R]:
    """Do ``work`` on all items in threads, and yield the results in order, holding ``threads`` + 1 + ``ahead`` at most."""
    with ThreadPoolExecutor(threads) as pool:
        waiting: list[Any] = []
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) > threads + ahead:
                yield waiting.pop(0).result()
        for future in waiting:
            yield future.result()


def _spotted(frames: Sequence[FocusFrame], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Mask of the picture's cells on which any frame has a spot."""
    out = np.zeros(shape, np.bool_)
    for frame in frames:
        if frame.spotted is not None:
            out |= warp_grid(frame.spotted.astype(np.float32), cell_pose(frame.pose), frame.bend) > 0
    return out


@dataclass
class _Peak:
    """Running maxima of the first pass: of the energies, and of what remains of them by `passing`."""

    energy: F32
    left: F32
    luma: F32
    sharpest: NDArray[np.int16]
    broad: F32 | None = None
    """Largest energies of broad detail, where finer detail leaves much to be decided."""

    def undecided(self, nv: F32) -> F32:
        """What the three bands leave to be decided (R, C), 0..1."""
        out = np.ones_like(self.luma)
        for band in range(3):
            m = self.left[band]
            out *= 1 - m / (m + TRUST_HALF * nv[band] + np.float32(1e-20))
        return out

    def sharpness(self, energy: F32, nv: F32) -> tuple[F32, F32]:
        """C and Q of one frame: all bands in proportion, and the finest band that can be trusted."""
        total = np.zeros_like(self.luma)
        finest = np.zeros_like(self.luma)
        left = np.ones_like(self.luma)
        for band in range(3):
            m = self.left[band]
            share = energy[band] / np.maximum(m, np.float32(1e-20))
            total += share * (m / (m + SNR_HALF * nv[band] + np.float32(1e-20)))
            trust = m / (m + TRUST_HALF * nv[band] + np.float32(1e-20))
            finest += share * trust * left
            left = left * (1 - trust)
        return total, finest


@dataclass(frozen=True)
class FocusWriter:
    """The volume that the passes fill for each frame and cell: prior and admission, (R, n, C) each."""

    prior: NDArray[np.uint16]
    admitted: U8
    forget: Callable[[], None] = lambda: None
    """Gives the pages of its file back, if it lies in one."""


def _surroundings(grid: F32, around: Sequence[tuple[float, float]]) -> F32:
    out = grid.copy()
    for sigma, weight in around:
        out += np.float32(weight) * blur_grid(grid, sigma)
    return out


def find_focus(
    frames: Sequence[FocusFrame],
    *,
    size: tuple[int, int],
    noise: Noise,
    recipe: FocusRecipe,
    writer: FocusWriter,
    threads: int,
    tick: Callable[[float], None],
    small: Sequence[Callable[[], F32]] | None = None,
) -> FocusMap:
    """Fill ``writer`` and return the focus map; the module's docstring describes the passes.

    ``small``: for each frame a function that reads its linear-light luma, means of 4 x 4 pixels; without it neither blown
    light (`passing`) nor broad detail is seen.

    Cost: about 8 ms per frame of 24 megapixels, on one thread. Memory: a dozen grids, and three per thread.
    """
    grids = Grids(noise, len(frames), size, small)
    peak = _largest(frames, grids, writer, threads, tick)
    nv = np.stack([noise.energy(band, peak.luma) for band in range(3)])
    if small is not None and (broad.alone(peak.undecided(nv)) > 0.5).mean() > broad.LEAST:
        peak.broad = _broadest(frames, grids, writer, threads)
    best, top, light = _sharpest(frames, grids, peak, nv, size, writer, threads, tick)
    beside = _admit(frames, grids, peak, nv, best, top, light, recipe, writer, threads, tick)
    certain = np.minimum(top, 1).astype(np.float32)
    return FocusMap(
        best=best[0],
        sharpest=peak.sharpest,
        beside=beside,
        certain=certain,
        peak=peak.energy,
        variance=noise.at(peak.luma),
        luma=peak.luma,
    )


def _largest(
    frames: Sequence[FocusFrame],
    grids: Grids,
    writer: FocusWriter,
    threads: int,
    tick: Callable[[float], None],
) -> _Peak:
    """The first pass. Until the third pass fills the admission, it holds the changes of brightness."""
    peak: _Peak | None = None
    darkest = passing.Darkest(grid_shape(*grids.size))
    held: deque[tuple[F32, F32]] = deque(maxlen=3)  # energies and brightness of the last frames
    for index, (seen, light) in enumerate(in_order(list(enumerate(frames)), grids.lit, threads)):
        energy, luma = seen.energy, seen.luma
        held.append((grids.sure(seen), light))
        darkest.look(index, held[-1][0], light, grids.blown_in((index, frames[index]), luma.shape))
        if peak is None:
            peak = _Peak(
                energy=energy.copy(),
                left=np.zeros_like(energy),
                luma=luma,
                sharpest=np.zeros(luma.shape, np.int16),
            )
        else:
            np.copyto(peak.sharpest, np.int16(index), where=energy[2] > peak.energy[2])
            np.maximum(peak.energy, energy, out=peak.energy)
            peak.luma = peak.luma + luma
        if index == 1:
            _note_change(peak, writer, 0, held[0][0], passing.change_at_end(held[0][1], held[1][1]))
        if index > 1:
            _note_change(peak, writer, index - 1, held[1][0], passing.change(held[0][1], held[2][1]))
        tick(1 / 3)
    assert peak is not None  # noqa: S101 - a stack has a frame; the caller refuses an empty one
    beside = held[-2 if len(held) > 1 else -1][1]
    _note_change(peak, writer, len(frames) - 1, held[-1][0], passing.change_at_end(beside, held[-1][1]))
    peak.luma = peak.luma / np.float32(len(frames))
    _trust_darkest(peak, writer, darkest)
    return peak


def _trust_darkest(peak: _Peak, writer: FocusWriter, darkest: passing.Darkest) -> None:
    """Where light is blown, nothing is taken off the energies of the frame in which it spreads least."""
    clear = darkest.clear
    for row in np.flatnonzero(clear.any(axis=1)):
        cols = np.flatnonzero(clear[row])
        writer.admitted[row, darkest.frame[row, cols], cols] = 0
    np.maximum(peak.left, darkest.energy, out=peak.left, where=clear)


def _broadest(frames: Sequence[FocusFrame], grids: Grids, writer: FocusWriter, threads: int) -> F32:
    """The largest energies of broad detail over the frames."""

    def look(item: tuple[int, FocusFrame]) -> F32:
        return grids.broad(item, writer.admitted[:, item[0]])

    found = in_order(list(enumerate(frames)), look, threads)
    out = next(found).copy()
    for energy in found:
        np.maximum(out, energy, out=out)
    return out


def _note_change(peak: _Peak, writer: FocusWriter, index: int, energy: F32, changes: U8) -> None:
    writer.admitted[:, index] = changes
    np.maximum(peak.left, passing.remaining(energy, changes), out=peak.left)


def _sharpest(
    frames: Sequence[FocusFrame],
    grids: Grids,
    peak: _Peak,
    nv: F32,
    size: tuple[int, int],
    writer: FocusWriter,
    threads: int,
    tick: Callable[[float], None],
) -> tuple[tuple[NDArray[np.int16], NDArray[np.int16]], F32, F32]:
    """Best frame of each cell (among all, and among those that cover it whole), the best sharpness, and, where any light
    is blown, the light of the best frame of all.
    """
    shape = peak.luma.shape
    unlit = np.zeros(shape, np.float32)
    undecided = broad.alone(peak.undecided(nv))
    decided = 1 - undecided

    def look(item: tuple[int, FocusFrame]) -> tuple[F32, F32, F32, F32, NDArray[np.bool_]]:
        frame = item[1]
        seen, light = grids.lit(item) if grids.blown else (grids.read(frame), unlit)
        left = passing.remaining(grids.sure(seen), writer.admitted[:, item[0]])
        total, finest = peak.sharpness(left, nv)
        wide = finest
        if peak.broad is not None:
            energy = grids.broad(item, writer.admitted[:, item[0]])
            more = broad.share_of(energy, peak.broad, seen.variance, undecided)
            total, wide = total + more, finest * decided + more
        whole = covered(frame.pose, (shape[0], shape[1]), size, frame.bend)
        around = _surroundings(wide, AROUND)
        return _surroundings(total, PRIOR_AROUND), around, finest, light, whole

    best = [np.zeros(shape, np.int16), np.zeros(shape, np.int16)]
    score = [np.full(shape, -1, np.float32), np.full(shape, -1, np.float32)]
    top = np.full(shape, -1, np.float32)
    light = np.zeros(shape, np.float32)
    for index, (prior, around, finest, here, whole) in enumerate(
        in_order(list(enumerate(frames)), look, threads)
    ):
        writer.prior[:, index] = np.minimum(prior * PRIOR_UNIT + np.float32(0.5), 65535).astype(np.uint16)
        for which, value in enumerate((around, np.where(whole, around, np.float32(-1)))):
            better = value > score[which]
            score[which] = np.maximum(score[which], value)
            np.copyto(best[which], np.int16(index), where=better)
            if which == 0:
                np.copyto(light, here, where=better)
        top = np.maximum(top, finest)
        tick(1 / 3)
    return (best[0], best[1]), top, light


def _admit(
    frames: Sequence[FocusFrame],
    grids: Grids,
    peak: _Peak,
    nv: F32,
    best: tuple[NDArray[np.int16], NDArray[np.int16]],
    top: F32,
    light: F32,
    recipe: FocusRecipe,
    writer: FocusWriter,
    threads: int,
    tick: Callable[[float], None],
) -> F32:
    """Fill the admission; returns the coarsest band's energy beside the sharpest frame, relative to it."""
    plain = top < TRUST
    limit = np.where(plain, np.float32(np.inf), np.float32(recipe.admit) * top)
    wide = plain | _spotted(frames, top.shape)
    reach = np.where(wide, recipe.neighbours, min(1, recipe.neighbours))

    def look(item: tuple[int, FocusFrame]) -> tuple[F32, NDArray[np.bool_], NDArray[np.bool_], F32]:
        seen = grids.read(item[1])
        left = passing.remaining(grids.sure(seen), writer.admitted[:, item[0]])
        _, finest = peak.sharpness(left, nv)
        clear = (left[0] > CLEAR * nv[0]) | (left[1] > CLEAR * nv[1])
        veiled = grids.veiled(item, light)
        return finest, clear, veiled, seen.energy[2] / np.maximum(peak.energy[2], np.float32(1e-20))

    def admit(index: int, sharp: Sequence[F32], clear: NDArray[np.bool_], veiled: NDArray[np.bool_]) -> U8:
        is_best = (best[0] == index) | (best[1] == index)
        own_peak = _stands_out(sharp) & (sharp[AHEAD] >= np.float32(recipe.peak) * top) & clear & ~plain
        itself = (sharp[AHEAD] >= limit) | is_best | own_peak
        apart = np.abs(best[0].astype(np.int32) - index)
        around = (grow_grid(itself.astype(np.uint8)) > 0) | (apart <= reach)
        return np.asarray(itself | (around & ~(veiled & (apart > 0))), np.uint8)

    beside = np.zeros((2, *top.shape), np.float32)
    nothing = (np.zeros_like(top), np.zeros(top.shape, np.bool_), np.zeros(top.shape, np.bool_))
    held = deque([nothing] * AHEAD)
    for index, (finest, clear, veiled, share) in enumerate(in_order(list(enumerate(frames)), look, threads)):
        for side, neighbour in enumerate((index + 1, index - 1)):
            np.copyto(beside[side], share, where=peak.sharpest == neighbour)
        held.append((finest, clear, veiled))
        if index >= AHEAD:
            writer.admitted[:, index - AHEAD] = admit(index - AHEAD, [h[0] for h in held], *held[AHEAD][1:])
            held.popleft()
        tick(1 / 3)
    for index in range(max(0, len(frames) - AHEAD), len(frames)):
        while len(held) <= 2 * AHEAD:
            held.append(nothing)
        writer.admitted[:, index] = admit(index, [h[0] for h in held], *held[AHEAD][1:])
        held.popleft()
    return beside


def _stands_out(sharp: Sequence[F32]) -> NDArray[np.bool_]:
    """Mask of the cells in which the middle one of 2 AHEAD + 1 frames is the sharpest, clearly so against the outer two."""
    here = sharp[AHEAD]
    out = (here > STANDS_OUT * sharp[0]) & (here > STANDS_OUT * sharp[-1])
    for other in sharp[:AHEAD]:
        out &= here >= other
    for other in sharp[AHEAD + 1 :]:
        out &= here > other
    return out
