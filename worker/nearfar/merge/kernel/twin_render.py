"""The picture from a stack of registered frames, spelled out: the specification of render.c.

The whole picture in one window and every frame in all of it, where the kernel works tile by tile and only where a
frame is admitted; functions and order of operations are the kernel's, so that its pixels are these. In short, at
half-size places, with the noise N (variance of one channel of a frame) and what a warp leaves of it:

1. E0 and E1, the energies of luma's two finest bands, less the noise; each in proportion to the largest of any frame:
   E = E0 / (max E0 + quiet noise) + E1 / (max E1 + quiet noise).
2. Score V = AD (1e-4 + prior_weight P + E): AD the admission and P the prior, both spread bilinearly from the cells.
   Where something nearer was sharp, then nothing, and then something again, the second is seen through the first's
   blur, and V falls by a factor down to ``behind`` (`fall_behind`).
3. Colours merge with r^16, r = V / max V; luma's finest band with E0^2 r^16 AD: R1 has the colours of the first and the
   finest band of the second.
4. Averaging: D is the mean squared distance of a frame's colours to R1 in units of twice the noise, smoothed by B5;
   w = 2 AD max(0, 1 - max(0, D - 1) / (8 agreement))^8. A frame shows the share g of luma's finest band (twin_average);
   R = (R1 + sum g w F) / (1 + sum g w), its finest band (f1 + sum g w f) / (1 + sum g^2 w).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.deliver.map_scale import map_step
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.twin_average import average
from nearfar.merge.kernel.twin_filters import blurred, f32, softened, upsample
from nearfar.merge.kernel.twin_survey import luma
from nearfar.merge.kernel.twin_warp import UNIT, Carried, carry

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
HALO_X, HALO_Y = 32, 32
"""Pixels around the picture that are computed as well: what a pixel depends on lies within 30 of it."""
CELL = 16
HALF_CELL = CELL // 2
PRIOR_UNIT = 8192
RAMP = np.float32(4)
"""Pixels over which a frame fades towards its own border."""
SPOT = np.float32(0.25)
"""Factor of a frame's coverage where its sensor tells nothing (spots that lie on each other count once)."""
LEAST = np.float32(1e-4)
"""Score of any admitted frame: where nothing is to be seen, some frame must be taken."""
PART = 3
"""Frames that were not let in part two surfaces as well as a valley does."""
FAINT, VALLEY, CLEAR = np.float32(0.05), np.float32(0.4), np.float32(8)
"""Relative energy below which nothing is a surface; share of the peak before it that makes a valley; times the noise
from which energy is believed."""


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """The float fields of the kernel's structure.

    ``channel``, ``band0``, ``band1``: what a warp leaves of white noise of variance 1 in a channel and in luma's two
    finest bands. ``prior_weight``: of P against the energies. ``behind``: least factor of a score where something
    nearer is sharp as well. ``agreement``: how far frames may differ and still be averaged. ``quiet``: energies count
    from this many times the noise on. ``spread``: variance of luma among frames from which the learned chooser takes over;
    ``told_flat``, ``told_sharp``: shares of the noise's variance that it is told, where no frame has detail and where one
    alone has much; ``clear``: halfway between, that detail's energy over the noise's.
    """

    channel: float
    band0: float
    band1: float
    prior_weight: float
    behind: float
    agreement: float
    quiet: float
    spread: float
    told_flat: float
    told_sharp: float
    clear: float


@dataclass(frozen=True, kw_only=True)
class Stack:
    """A registered stack: n frames, cells (R, C).

    ``samples``: (h, w, 3) each, uint8 or uint16. ``tables``: sample to encoded value, or None. ``poses``: (n, 2, 3).
    ``prior``, ``admitted``: (R, n, C), uint16 in 8192ths and uint8. ``variance``: (R, C). ``order``: 1 where the first
    frame is focused nearest, -1 where the last one is, 0 where that is not known. ``spots`` (m, 3): x, y and reach, in
    frame pixels, of places that count less in every frame; ``fills``: what each frame has there instead.
    """

    size: tuple[int, int]
    samples: Sequence[NDArray[Any]]
    tables: Sequence[F32 | None]
    poses: F64
    prior: NDArray[np.uint16]
    admitted: NDArray[np.uint8]
    variance: F32
    order: int
    numbers: Numbers
    spots: F32 | None = None
    fills: Sequence[tuple[NDArray[np.int32], NDArray[np.uint16]]] | None = None
    bends: Sequence[Bend | None] | None = None

    def bend(self, k: int) -> Bend | None:
        """What frame ``k`` is bent by beyond its pose."""
        return None if self.bends is None else self.bends[k]


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """``picture``: (h, w, 3) uint16. ``frame_map``: at half size, 256ths of a frame from 256 on. ``share``: (n,)."""

    picture: NDArray[np.uint16]
    frame_map: NDArray[np.uint16]
    share: F64


class Window:
    """The picture with its halo, and where its half-size places lie."""

    def __init__(self, stack: Stack) -> None:
        width, height = stack.size
        self.stack = stack
        self.left, self.top = -HALO_X, -HALO_Y
        self.width = -(-width // CELL) * CELL + 2 * HALO_X
        self.height = -(-height // CELL) * CELL + 2 * HALO_Y
        self.hx = self.left // 2 + np.arange(self.width // 2)
        self.hy = self.top // 2 + np.arange(self.height // 2)
        rows, _, cols = stack.admitted.shape
        self.cell_x = np.clip(self.hx // HALF_CELL, 0, cols - 1)
        self.cell_y = np.clip(self.hy // HALF_CELL, 0, rows - 1)
        self.noise = stack.variance[self.cell_y[:, None], self.cell_x[None]]

    def carried(self, k: int) -> Carried:
        """A frame in this window."""
        s = self.stack
        place = (self.left, self.top, self.width, self.height)
        samples = s.samples[k] if s.fills is None else filled(s.samples[k], *s.fills[k])
        return carry(samples, s.tables[k], s.poses[k], *place, s.bend(k))

    def inner(self, plane: NDArray[Any], *, half: bool = False) -> NDArray[Any]:
        """The part of a plane that is the picture."""
        width, height = self.stack.size
        if half:
            y, x, rows, cols = HALO_Y // 2, HALO_X // 2, (height + 1) // 2, (width + 1) // 2
        else:
            y, x, rows, cols = HALO_Y, HALO_X, height, width
        return plane[..., y : y + rows, x : x + cols]


def filled(samples: NDArray[Any], runs: NDArray[np.int32], fill: NDArray[np.uint16]) -> NDArray[Any]:
    """A frame's samples with runs of pixels replaced: row, column, length, place of the first in ``fill``."""
    out = samples.copy()
    for row, column, length, first in runs:
        out[row, column : column + length] = fill[first : first + length]
    return out


def spread(window: Window, cells: F32) -> F32:
    """Values of cells (R, C) bilinearly at half-size places; a cell's middle lies between its fourth and fifth."""
    rows, cols = cells.shape
    at = (window.hy - 3.5) / HALF_CELL
    row = np.floor(at).astype(np.int64)
    f = (at - row).astype(np.float32)[:, None]
    down = cells[np.clip(row, 0, rows - 1)] * (1 - f) + cells[np.clip(row + 1, 0, rows - 1)] * f
    place, cell = window.hx % HALF_CELL, window.hx // HALF_CELL
    first = np.where(place < 4, cell - 1, cell)
    t = np.where(place < 4, place + f32(4.5), place - f32(3.5)).astype(np.float32) / 8
    left, right = down[:, np.clip(first, 0, cols - 1)], down[:, np.clip(first + 1, 0, cols - 1)]
    return np.asarray(left * (1 - t) + right * t, np.float32)


def coverage(window: Window, k: int) -> F32:
    """1 inside a frame, falling to 0 over `RAMP` pixels at its border, and `SPOT` on its spots, at half-size places.

    Places beyond the picture, and those of which half lies beyond, count as the nearest pixel inside.
    """
    s = window.stack
    x = np.clip(2 * window.hx[None] + 0.5, 0, s.size[0] - 1)
    y = np.clip(2 * window.hy[:, None] + 0.5, 0, s.size[1] - 1)
    u, v = (p[0] * x + (p[1] * y + p[2]) for p in s.poses[k])
    if (bend := s.bend(k)) is not None:
        du, dv = bend.at(x, y)
        u, v = u + du, v + dv
    height, width = s.samples[k].shape[:2]
    near = np.minimum(np.minimum(u + 0.5, width - 0.5 - u), np.minimum(v + 0.5, height - 0.5 - v))
    out = np.clip(near.astype(np.float32) * (1 / RAMP), f32(0), f32(1))
    hit = np.zeros(out.shape, np.bool_)
    for sx, sy, reach in () if s.spots is None else s.spots.astype(np.float64):
        hit |= (u - sx) * (u - sx) + (v - sy) * (v - sy) <= reach * reach
    return np.asarray(np.where(hit, out * SPOT, out))


def second_band(frame: Carried) -> F32:
    """E1: half-size luma less its B5, squared, softened."""
    band = frame.half_luma - blurred(frame.half_luma)
    return softened(band * band)


def admission_and_prior(window: Window, k: int, cover: F32) -> tuple[F32, F32, F32]:
    """Mask (1 in cells that are admitted themselves), admission AD and prior P of a frame at half-size places."""
    s = window.stack
    prior = spread(window, s.prior[:, k].astype(np.float32) * f32(1 / PRIOR_UNIT))
    hard = (s.admitted[window.cell_y[:, None], k, window.cell_x[None]] > 0).astype(np.float32)
    return hard * cover, spread(window, s.admitted[:, k].astype(np.float32)) * cover, prior


class Crossing:
    """What was seen on the way from the nearest frame to the farthest, place by place.

    ``peak``: largest energy since the last valley; ``low``: the least since that peak; ``nearer``: the largest peak
    that a valley parts from what follows; ``last``: the last frame that was let in. A valley is a drop to less than
    `VALLEY` of the peak, or more than `PART` - 1 frames in a row that were not let in.
    """

    def __init__(self, shape: tuple[int, ...], numbers: Numbers) -> None:
        self.behind = f32(numbers.behind)
        self.peak, self.low, self.nearer = (np.zeros(shape, np.float32) for _ in range(3))
        self.last = np.full(shape, -(1 << 20))

    def fall_behind(self, frame: int, energy: F32, mask: F32, seen: NDArray[np.bool_]) -> F32:
        """Factor of a frame's score; ``seen``: where one of its energies stands clearly above the noise."""
        apart = np.abs(frame - self.last) > PART
        parted = apart & (self.peak > FAINT)
        self.nearer[parted] = np.maximum(self.nearer, self.peak)[parted]
        self.peak[apart] = self.low[apart] = 0
        let_in = mask > 0
        self.last[let_in] = frame
        g = np.where(seen, energy, f32(0))
        self._set(let_in & (g > self.peak), g)
        self.low = np.where(let_in, np.minimum(self.low, g), self.low)
        surface = self.peak > FAINT
        valley = let_in & surface & (self.low < VALLEY * self.peak)
        rising = let_in & ~surface & (g > 2 * self.low)
        self.nearer[valley] = np.maximum(self.nearer, self.peak)[valley]
        self.peak[valley] = self.low[valley]
        self._set(rising, g)
        factor = 1 - (1 - self.behind) * np.minimum(f32(1), f32(0.5) * self.nearer)
        return np.asarray(np.where(self.nearer > 0, factor, f32(1)), np.float32)

    def _set(self, where: NDArray[np.bool_], energy: F32) -> None:
        """A new peak."""
        self.peak[where] = self.low[where] = energy[where]


def scores(window: Window, frames: Sequence[Carried], *, behind: bool = True) -> tuple[F32, F32]:
    """V of each frame (n, H, W) and the admission AD, both fading out at the frame's own border.

    Energies count only in cells that are admitted themselves (the mask); AD and the prior reach half a cell further.
    ``behind``: whether V falls where something nearer is sharp as well.
    """
    s, n, noise = window.stack, window.stack.numbers, window.noise
    band0, band1, quiet = f32(n.band0), f32(n.band1), f32(n.quiet)
    cover = [coverage(window, k) for k in range(len(frames))]
    hard = (s.admitted[window.cell_y[:, None], :, window.cell_x[None]] > 0).astype(np.float32)
    mask = [hard[..., k] * cover[k] for k in range(len(frames))]
    e0 = [frame.square - band0 * noise for frame in frames]
    second = [second_band(frame) for frame in frames]
    e1 = [energy - band1 * noise for energy in second]
    top0 = np.max([e * m for e, m in zip(e0, mask, strict=True)], axis=0)
    top1 = np.max([e * m for e, m in zip(e1, mask, strict=True)], axis=0)
    over0 = 1 / (np.maximum(top0, f32(1e-12)) + quiet * band0 * noise)
    over1 = 1 / (np.maximum(top1, f32(1e-12)) + quiet * band1 * noise)
    crossing = Crossing(noise.shape, n)
    v, admission = list(e0), list(e0)
    for k in range(len(frames))[:: s.order or 1]:
        prior = spread(window, s.prior[:, k].astype(np.float32) * f32(1 / PRIOR_UNIT))
        ad = spread(window, s.admitted[:, k].astype(np.float32)) * cover[k]
        energy = mask[k] * (np.maximum(e0[k], f32(0)) * over0 + np.maximum(e1[k], f32(0)) * over1)
        v[k] = ad * (LEAST + f32(n.prior_weight) * prior + energy)
        if s.order and behind:
            seen = (frames[k].square > CLEAR * band0 * noise) | (second[k] > CLEAR * band1 * noise)
            v[k] *= crossing.fall_behind(k, energy, mask[k], seen)
        admission[k] = ad
    return np.stack(v), np.stack(admission)


def weigh(window: Window, frames: Sequence[Carried], v: F32, admission: F32) -> tuple[list[F32], list[F32]]:
    """Weights at half size of all colours, and of luma's finest band. Scores below .3 of the best count nothing."""
    keep, best = 1 / f32(window.stack.numbers.channel), v.max(axis=0)
    colour, detail = [], []
    for k, frame in enumerate(frames):
        r = v[k] / np.maximum(best, f32(1e-12))
        r = np.where(r < f32(0.3), f32(0), r)
        r2 = r * r
        r4 = r2 * r2
        r8 = r4 * r4
        r16 = r8 * r8
        e = frame.square * keep / window.noise
        colour.append(r16)
        detail.append((e * e + f32(1e-6)) * r16 * admission[k])
    return colour, detail


def merge(
    frames: Sequence[Carried],
    colour: Sequence[F32],
    detail: Sequence[F32],
    gain: F32 | None = None,
    more: Callable[[F32], F32] | None = None,
) -> tuple[F32, F32]:
    """R1 (3, H, W) in `UNIT`-ths: weighted colours, their luma's finest band replaced by the one chosen apart; that band.

    ``gain`` (H / 2, W / 2): factor of that band, if there is one. ``more``: from the luma of the weighted colours to what
    is added to all colours at half size.
    """
    shape = frames[0].colour.shape
    out: F32 = np.zeros(shape, np.float32)
    total: F32 = np.zeros(shape[1:], np.float32)
    fine, fine_total = total, total
    for frame, c, d in zip(frames, colour, detail, strict=True):
        up = upsample(c)
        out += up * frame.colour.astype(np.float32)
        total = total + up
        up = upsample(d)
        fine = fine + up * frame.fine
        fine_total = fine_total + up
    out *= f32(1) / np.maximum(total, f32(1e-20))
    y = luma(out[0], out[1], out[2])
    band = fine / np.maximum(fine_total, f32(1e-30))
    if gain is not None:
        band = band * upsample(gain)
    out = out + (band * UNIT - (y - blurred(y)))
    return out if more is None else out + upsample(more(y)), np.asarray(band, np.float32)


def frame_map(window: Window, colour: Sequence[F32]) -> tuple[NDArray[np.uint16], F64]:
    """Mean frame number k by weight, step (1 + k) rounded, and each frame's sum of relative weights."""
    step = f32(map_step(len(colour)))
    weights = [window.inner(plane, half=True) for plane in colour]
    index, total = np.zeros_like(weights[0]), np.zeros_like(weights[0])
    for k, plane in enumerate(weights):
        index = index + plane * f32(k)
        total = total + plane
    share = [float((plane / np.maximum(total, f32(1e-20))).sum(dtype=np.float64)) for plane in weights]
    with np.errstate(invalid="ignore"):
        place = np.minimum(step + step * index / total + f32(0.5), f32(65535))
    return np.where(total > 0, np.nan_to_num(place), 0).astype(np.uint16), np.array(share)


def level16(plane: F32) -> NDArray[np.uint16]:
    """`UNIT`-ths to 65535 for 1, rounded to nearest and held in range."""
    scaled = plane * (f32(65535) / UNIT) + f32(0.5)
    return np.asarray(np.clip(scaled, f32(0), f32(65535)), np.uint16)


def render(stack: Stack) -> Rendered:
    """The whole picture of a stack."""
    window = Window(stack)
    frames = [window.carried(k) for k in range(len(stack.samples))]
    v, admission = scores(window, frames)
    colour, detail = weigh(window, frames, v, admission)
    places, share = frame_map(window, colour)
    merged = merge(frames, colour, detail)
    r = average(window, frames, merged, admission)
    picture = np.ascontiguousarray(np.moveaxis(level16(window.inner(r)), 0, 2))
    return Rendered(picture=picture, frame_map=places, share=share)
