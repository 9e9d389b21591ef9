"""The averaging, spelled out: the specification of average.h.

Every frame shows luma's finest band by a share of its true amplitude: less out of focus, less where a warp takes it from
between its pixels. With a share g and a weight w each, (f1 + sum g w f) / (1 + sum g^2 w) is the least squares estimate.
What warps take is of the highest frequencies: where the band stands above the noise these are raised afterwards, by the
places between pixels from which the frames that agree were taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.twin_filters import blurred, f32, softened, upsample
from nearfar.merge.kernel.twin_warp import UNIT, Carried

if TYPE_CHECKING:
    from nearfar.merge.kernel.twin_render import Window

F32 = NDArray[np.float32]
LOST = np.float32(0.12)
"""What a warp loses of the finest band's amplitude, times t (1 - t) for a place t between two pixels, each way. Measured
on rendered textures, whose scenes lose a part of it themselves."""

COUNTS = np.float32(2)
"""What a frame that agrees counts, the merged picture, whose noise was chosen with its detail, being 1."""
SURE = np.float32(8)
"""Times the noise at which half of what a frame shows less is believed."""
FEW = np.float32(0.1)
"""Sum of the weights of agreeing frames at which half of what warps took is given back."""
MIDDLE, SIDE = np.float32(0.592), (np.float32(-0.524), np.float32(0.38), np.float32(-0.152))
"""Taps, times t (1 - t), that give back what the cubic takes. Halfway between two pixels it keeps .96, .84, .63 and .34 of
.3, .35, .4 and .45 cycles a pixel; the taps add .01, .17, .40 and .60."""


def agreement(window: Window, frame: Carried, r1: F32, admission: F32) -> F32:
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


def places_between(window: Window, k: int) -> tuple[F32, F32]:
    """Products t (1 - t) (H, W) for the places t between two pixels of a frame, across and down: one for eight of a row."""
    x = (2 * (window.hx[::8]) + 8).astype(np.float64)
    y = (2 * window.hy[:, None]).astype(np.float64)
    u, v = (p[0] * x + (p[1] * y + p[2]) for p in window.stack.poses[k])
    if (bend := window.stack.bend(k)) is not None:
        du, dv = bend.at(x, y)
        u, v = u + du, v + dv
    t, r = (u - np.floor(u)).astype(np.float32), (v - np.floor(v)).astype(np.float32)
    return (t * (1 - t)).repeat(8, axis=1), (r * (1 - r)).repeat(8, axis=1)


def kept(across: F32, down: F32) -> F32:
    """What a warp keeps of the finest band's amplitude (H, W)."""
    return np.asarray(1 - LOST * (across + down))


def sure(window: Window, best: F32) -> F32:
    """How far the finest band's energy (H, W) stands above the noise, 0..1."""
    clear, hidden = best * best, SURE * f32(window.stack.numbers.band0) * window.noise
    return np.asarray(clear / (clear + hidden * hidden))


def shown(
    window: Window, frames: Sequence[Carried], agree: Sequence[F32], whole: Sequence[F32]
) -> tuple[list[F32], F32]:
    """The share (H, W) at half size that each frame shows of luma's finest band, 1 where noise hides it; its energy.

    Its amplitude over the largest of the frames that agree, by energies above the noise in cells that are admitted.
    ``whole``: `kept` of each frame.
    """
    s, n = window.stack, window.stack.numbers
    nv = f32(n.band0) * window.noise
    energy = []
    for k, frame in enumerate(frames):
        hard = (s.admitted[window.cell_y[:, None], k, window.cell_x[None]] > 0).astype(np.float32)
        energy.append(np.maximum(softened(frame.square) - nv, f32(0)) * hard / (whole[k] * whole[k]))
    best = np.max([e * a for e, a in zip(energy, agree, strict=True)], axis=0)
    believed = sure(window, best)
    over = [np.minimum(e / np.maximum(best, f32(1e-12)), f32(1)) for e in energy]
    return [
        np.asarray(1 - believed * (1 - w * np.sqrt(e))) for w, e in zip(whole, over, strict=True)
    ], np.asarray(best)


def taken(fine: F32, axis: int) -> F32:
    """What a warp halfway between two pixels takes from the finest band along one axis, times 4: a filter of 7 taps."""
    out: F32 = MIDDLE * fine
    for reach, tap in enumerate(SIDE, 1):
        out = out + tap * (np.roll(fine, reach, axis) + np.roll(fine, -reach, axis))
    return np.asarray(out)


def average(window: Window, frames: Sequence[Carried], merged: tuple[F32, F32], admission: F32) -> F32:
    """R (3, H, W): R1 counts once, each frame by how well it agrees with it, what it shows of the finest band."""
    out, fine = merged[0].copy(), merged[1]
    agree = [agreement(window, frame, merged[0], ad) for frame, ad in zip(frames, admission, strict=True)]
    between = [places_between(window, k) for k in range(len(frames))]
    shares, best = shown(window, frames, agree, [kept(*b) for b in between])
    nothing: F32 = np.zeros_like(agree[0])
    total = fine_total = across = down = nothing
    for frame, a, share, b in zip(frames, agree, shares, between, strict=True):
        weight = COUNTS * a * share
        up = upsample(weight)
        out = out + up * frame.colour.astype(np.float32)
        fine = fine + up * frame.fine
        total, fine_total = total + weight, fine_total + weight * share
        across, down = across + weight * b[0], down + weight * b[1]
    over = 1 / (1 + upsample(total))
    mean = fine / (1 + upsample(fine_total))
    out = np.asarray(out * over + (mean - fine * over) * UNIT, np.float32)
    amount = sure(window, best) / (FEW + total)
    across, down = ((p * amount).repeat(2, axis=0).repeat(2, axis=1) for p in (across, down))
    return np.asarray(out + (across * taken(mean, 1) + down * taken(mean, 0)) * UNIT, np.float32)
