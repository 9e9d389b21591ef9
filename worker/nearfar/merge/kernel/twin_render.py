"""The picture from a stack of registered frames, spelled out: the specification of render.c.

The whole picture in one window and every frame in all of it, where the kernel works tile by tile and only where a
frame is admitted; functions and order of operations are the kernel's, so that its pixels are these. In short, with
frames k, half-size places h, noise variance N of one channel of a frame, and what a warp leaves of it:

1. Energies of luma's two finest bands, E0 and E1, less the noise; each in proportion to its largest over the frames.
2. Score V = AD (1e-4 + prior_weight P + E0 / (max E0 + noise) + E1 / (max E1 + noise)), AD the admission spread bilinearly.
   R0 is the frame of the largest score, place by place.
3. Veil: D = B5 of the mean squared distance of a frame's colours to R0, in units of twice the noise. A frame loses
   weight by c = (1 + max(0, D - 1) / veil)^-4. Colours merge with r^16 c, r = V / max V; luma's finest band with
   E0^2 r^8 c: R1 has the colours of the first and the finest band of the second.
4. Averaging: with D' as D but against R1 at full size, w = AD max(0, 1 - max(0, D' - 1) / (8 agreement))^8;
   R = (R1 + sum w F) / (1 + sum w).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.twin_survey import b5, luma
from nearfar.merge.kernel.twin_warp import UNIT, Carried, carry

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
HALO_X, HALO_Y = 32, 24
"""Pixels around the picture that are computed as well: what a pixel depends on lies within 22 of it."""
CELL = 16
HALF_CELL = CELL // 2
PRIOR_UNIT = 8192
RAMP = np.float32(4)
"""Pixels over which a frame fades towards its own border."""
LEAST = np.float32(1e-4)
"""Score of any admitted frame: where nothing is to be seen, some frame must be taken."""


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """The float fields of the kernel's structure.

    ``channel``, ``band0``, ``band1``, ``half``: what a warp leaves of white noise of variance 1 in a channel, luma's
    two finest bands, and a channel at half size. ``prior_weight``: of P against the energies. ``veil``: how fast a
    frame that differs from the sharpest loses weight. ``agreement``: how far frames may differ and still be averaged.
    ``quiet``: energies count from this many times the noise on.
    """

    channel: float
    band0: float
    band1: float
    half: float
    prior_weight: float
    veil: float
    agreement: float
    quiet: float


@dataclass(frozen=True, kw_only=True)
class Stack:
    """A registered stack: n frames, cells (R, C).

    ``samples``: (h, w, 3) each, uint8 or uint16. ``tables``: sample to encoded value, or None. ``poses``: (n, 2, 3).
    ``prior``, ``admitted``: (R, n, C), uint16 in 8192ths and uint8. ``variance``: (R, C).
    """

    size: tuple[int, int]
    samples: Sequence[NDArray[Any]]
    tables: Sequence[F32 | None]
    poses: F64
    prior: NDArray[np.uint16]
    admitted: NDArray[np.uint8]
    variance: F32
    numbers: Numbers


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """``picture``: (h, w, 3) uint16. ``frame_map``: at half size, 256ths of a frame from 256 on. ``share``: (n,)."""

    picture: NDArray[np.uint16]
    frame_map: NDArray[np.uint16]
    share: F64


def blurred(plane: F32) -> F32:
    """B5 over a plane, its edge repeated outside."""
    return b5(np.pad(plane, 2, mode="edge"))


def f32(value: float) -> np.float32:
    """A number of the structure, as the kernel has it."""
    return np.float32(value)


class _Window:
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
        s = self.stack
        place = (self.left, self.top, self.width, self.height)
        return carry(s.samples[k], s.tables[k], s.poses[k], *place)

    def inner(self, plane: NDArray[Any], *, half: bool = False) -> NDArray[Any]:
        """The part of a plane that is the picture."""
        width, height = self.stack.size
        if half:
            y, x, rows, cols = HALO_Y // 2, HALO_X // 2, (height + 1) // 2, (width + 1) // 2
        else:
            y, x, rows, cols = HALO_Y, HALO_X, height, width
        return plane[..., y : y + rows, x : x + cols]


def spread(window: _Window, cells: F32) -> F32:
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


def coverage(window: _Window, k: int) -> F32:
    """1 inside a frame, falling to 0 over `RAMP` pixels at its border, at half-size places.

    Places beyond the picture, and those of which half lies beyond, count as the nearest pixel inside.
    """
    s = window.stack
    x = np.clip(2 * window.hx[None] + 0.5, 0, s.size[0] - 1)
    y = np.clip(2 * window.hy[:, None] + 0.5, 0, s.size[1] - 1)
    u, v = (p[0] * x + (p[1] * y + p[2]) for p in s.poses[k])
    height, width = s.samples[k].shape[:2]
    near = np.minimum(np.minimum(u + 0.5, width - 0.5 - u), np.minimum(v + 0.5, height - 0.5 - v))
    return np.asarray(np.clip(near.astype(np.float32) * (1 / RAMP), f32(0), f32(1)))


def second_band(frame: Carried) -> F32:
    """E1: half-size luma less its B5, squared, smoothed by B5."""
    band = frame.half_luma - blurred(frame.half_luma)
    return blurred(band * band)


def scores(window: _Window, frames: Sequence[Carried]) -> tuple[F32, F32]:
    """V of each frame (n, H, W) and the admission AD, both fading out at the frame's own border.

    Energies count only in cells that are admitted themselves (the mask); AD and the prior reach half a cell further.
    """
    s, n, noise = window.stack, window.stack.numbers, window.noise
    band0, band1, quiet = f32(n.band0), f32(n.band1), f32(n.quiet)
    cover = [coverage(window, k) for k in range(len(frames))]
    hard = (s.admitted[window.cell_y[:, None], :, window.cell_x[None]] > 0).astype(np.float32)
    mask = [hard[..., k] * cover[k] for k in range(len(frames))]
    e0 = [frame.square - band0 * noise for frame in frames]
    e1 = [second_band(frame) - band1 * noise for frame in frames]
    top0 = np.max([e * m for e, m in zip(e0, mask, strict=True)], axis=0)
    top1 = np.max([e * m for e, m in zip(e1, mask, strict=True)], axis=0)
    over0 = 1 / (np.maximum(top0, f32(1e-12)) + quiet * band0 * noise)
    over1 = 1 / (np.maximum(top1, f32(1e-12)) + quiet * band1 * noise)
    v, admission = [], []
    for k in range(len(frames)):
        prior = spread(window, s.prior[:, k].astype(np.float32) * f32(1 / PRIOR_UNIT))
        ad = spread(window, s.admitted[:, k].astype(np.float32)) * cover[k]
        a, c = np.maximum(e0[k], f32(0)) * over0, np.maximum(e1[k], f32(0)) * over1
        v.append(ad * (LEAST + f32(n.prior_weight) * prior + mask[k] * (a + c)))
        admission.append(ad)
    return np.stack(v), np.stack(admission)


def reference(frames: Sequence[Carried], v: F32) -> F32:
    """R0 (3, H, W): half-size colours of the frame of the largest score, of the last one among equals."""
    best = v.max(axis=0)
    out = np.zeros_like(frames[0].half_colour)
    for k, frame in enumerate(frames):
        out = np.where((v[k] >= best) & (v[k] > 0), frame.half_colour, out)
    return out


def veil_distance(window: _Window, frame: Carried, r0: F32) -> F32:
    """D (H, W): mean over colours of (R0 - F)^2 / (2 s2), smoothed by B5, s2 the noise at half size."""
    unit = 1 / (6 * f32(window.stack.numbers.half))
    i, j, k = r0 - frame.half_colour
    return blurred(unit * (i * i + j * j + k * k) / window.noise)


def weigh(window: _Window, frames: Sequence[Carried], v: F32, admission: F32) -> tuple[list[F32], list[F32]]:
    """Weights at half size of all colours, and of luma's finest band. Scores below .3 of the best count nothing."""
    n = window.stack.numbers
    slack, keep = 1 / f32(n.veil), 1 / f32(n.channel)
    best, r0 = v.max(axis=0), reference(frames, v)
    colour, detail = [], []
    for k, frame in enumerate(frames):
        r = v[k] / np.maximum(best, f32(1e-12))
        r = np.where(r < f32(0.3), f32(0), r)
        t = 1 / (1 + np.maximum(veil_distance(window, frame, r0) - 1, f32(0)) * slack)
        t = t * t
        c = t * t + f32(1e-4)
        r2 = r * r
        r4 = r2 * r2
        r8 = r4 * r4
        e = frame.square * keep / window.noise
        a = r8 * r8 * c
        colour.append(a)
        detail.append((e * e * r8 * c + f32(1e-6) * a) * admission[k])
    return colour, detail


def upsample(plane: F32) -> F32:
    """Half size to full: along each axis 3/4 of the place that a pixel lies in and 1/4 of the nearer neighbour."""
    p = np.pad(plane, 1, mode="edge")
    down = np.empty((2 * plane.shape[0], p.shape[1]), np.float32)
    down[::2] = f32(0.75) * p[1:-1] + f32(0.25) * p[:-2]
    down[1::2] = f32(0.75) * p[1:-1] + f32(0.25) * p[2:]
    out = np.empty((down.shape[0], 2 * plane.shape[1]), np.float32)
    out[:, ::2] = f32(0.75) * down[:, 1:-1] + f32(0.25) * down[:, :-2]
    out[:, 1::2] = f32(0.75) * down[:, 1:-1] + f32(0.25) * down[:, 2:]
    return out


def merge(frames: Sequence[Carried], colour: Sequence[F32], detail: Sequence[F32]) -> F32:
    """R1 (3, H, W) in `UNIT`-ths: weighted colours, their luma's finest band replaced by the one chosen apart."""
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
    return out + (fine / np.maximum(fine_total, f32(1e-30)) * UNIT - (y - blurred(y)))


def agreement(window: _Window, frame: Carried, r1: F32, admission: F32) -> F32:
    """The w (H, W) at half size: how well a frame agrees with R1 within noise, 0..1."""
    n = window.stack.numbers
    unit = 1 / (24 * f32(n.channel) * UNIT * UNIT)
    d = frame.colour.astype(np.float32) - r1
    d = d * d
    s = d[0] + d[1] + d[2]
    s = s[::2, ::2] + s[::2, 1::2] + s[1::2, ::2] + s[1::2, 1::2]
    distance = blurred(unit * s / window.noise)
    slope = 1 / (8 * f32(n.agreement))
    t = np.maximum(1 - np.maximum(distance - 1, f32(0)) * slope, f32(0))
    t = t * t
    t = t * t
    t = t * t
    return np.asarray(t * admission)


def average(window: _Window, frames: Sequence[Carried], r1: F32, admission: F32) -> F32:
    """R (3, H, W): R1 counts once, each frame by how well it agrees with it."""
    out, total = r1.copy(), np.ones(r1.shape[1:], np.float32)
    for frame, ad in zip(frames, admission, strict=True):
        up = upsample(agreement(window, frame, r1, ad))
        out = out + up * frame.colour.astype(np.float32)
        total = total + up
    return out / total


def frame_map(window: _Window, colour: Sequence[F32]) -> tuple[NDArray[np.uint16], F64]:
    """Mean frame number by weight, 256 (1 + k) rounded, and each frame's sum of relative weights."""
    weights = [window.inner(plane, half=True) for plane in colour]
    index, total = np.zeros_like(weights[0]), np.zeros_like(weights[0])
    for k, plane in enumerate(weights):
        index = index + plane * f32(k)
        total = total + plane
    share = [float((plane / np.maximum(total, f32(1e-20))).sum(dtype=np.float64)) for plane in weights]
    with np.errstate(invalid="ignore"):
        place = np.minimum(256 + 256 * index / total + f32(0.5), f32(65535))
    return np.where(total > 0, np.nan_to_num(place), 0).astype(np.uint16), np.array(share)


def level16(plane: F32) -> NDArray[np.uint16]:
    """`UNIT`-ths to 65535 for 1, rounded to nearest and held in range."""
    scaled = plane * (f32(65535) / UNIT) + f32(0.5)
    return np.asarray(np.clip(scaled, f32(0), f32(65535)), np.uint16)


def render(stack: Stack) -> Rendered:
    """The whole picture of a stack."""
    window = _Window(stack)
    frames = [window.carried(k) for k in range(len(stack.samples))]
    v, admission = scores(window, frames)
    colour, detail = weigh(window, frames, v, admission)
    places, share = frame_map(window, colour)
    r1 = merge(frames, colour, detail)
    r = average(window, frames, r1, admission)
    picture = np.ascontiguousarray(np.moveaxis(level16(window.inner(r)), 0, 2))
    return Rendered(picture=picture, frame_map=places, share=share)
