"""The averaging, spelled out: the specification of average.h.

Every frame shows luma's finest band by a share of its true amplitude: less out of focus, less where a warp takes it from
between its pixels. With a share g and a weight w each, (f1 + sum g w f) / (1 + sum g^2 w) is the least squares estimate.
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


def kept(window: Window, k: int) -> F32:
    """What the warp of a frame keeps of the finest band's amplitude (H, W), one number for every eight places of a row."""
    x = (2 * (window.hx[::8]) + 8).astype(np.float64)
    y = (2 * window.hy[:, None]).astype(np.float64)
    u, v = (p[0] * x + (p[1] * y + p[2]) for p in window.stack.poses[k])
    if (bend := window.stack.bend(k)) is not None:
        du, dv = bend.at(x, y)
        u, v = u + du, v + dv
    t, r = (u - np.floor(u)).astype(np.float32), (v - np.floor(v)).astype(np.float32)
    return np.asarray((1 - LOST * (t * (1 - t) + r * (1 - r))).repeat(8, axis=1))


def shown(window: Window, frames: Sequence[Carried], agree: Sequence[F32]) -> list[F32]:
    """The share (H, W) at half size that each frame shows of luma's finest band; 1 where noise hides the band.

    Its amplitude over the largest of the frames that agree, by energies above the noise in cells that are admitted.
    """
    s, n = window.stack, window.stack.numbers
    nv = f32(n.band0) * window.noise
    whole, energy = [kept(window, k) for k in range(len(frames))], []
    for k, frame in enumerate(frames):
        hard = (s.admitted[window.cell_y[:, None], k, window.cell_x[None]] > 0).astype(np.float32)
        energy.append(np.maximum(softened(frame.square) - nv, f32(0)) * hard / (whole[k] * whole[k]))
    best = np.max([e * a for e, a in zip(energy, agree, strict=True)], axis=0)
    clear, hidden = best * best, SURE * f32(n.band0) * window.noise
    sure = clear / (clear + hidden * hidden)
    over = [np.minimum(e / np.maximum(best, f32(1e-12)), f32(1)) for e in energy]
    return [np.asarray(1 - sure * (1 - w * np.sqrt(e))) for w, e in zip(whole, over, strict=True)]


def average(window: Window, frames: Sequence[Carried], merged: tuple[F32, F32], admission: F32) -> F32:
    """R (3, H, W): R1 counts once, each frame by how well it agrees with it, what it shows of the finest band."""
    out, fine = merged[0].copy(), merged[1]
    agree = [agreement(window, frame, merged[0], ad) for frame, ad in zip(frames, admission, strict=True)]
    total: F32 = np.zeros_like(agree[0])
    fine_total: F32 = np.zeros_like(agree[0])
    for frame, a, share in zip(frames, agree, shown(window, frames, agree), strict=True):
        weight = COUNTS * a * share
        up = upsample(weight)
        out = out + up * frame.colour.astype(np.float32)
        fine = fine + up * frame.fine
        total, fine_total = total + weight, fine_total + weight * share
    over = 1 / (1 + upsample(total))
    return np.asarray(out * over + (fine / (1 + upsample(fine_total)) - fine * over) * UNIT, np.float32)
