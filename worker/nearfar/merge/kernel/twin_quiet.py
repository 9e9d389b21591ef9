"""Quiet colours, spelled out: the specification of quiet.h.

In paint, cloth or leaves the finest detail of a colour follows that of luma: a surface that is lit less is darker in red,
green and blue alike. What is left of it after that is mostly noise; it counts only as far as its energy stands above the
noise that averaging leaves. Luma stays as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.twin_filters import blurred, f32
from nearfar.merge.kernel.twin_survey import luma
from nearfar.merge.kernel.twin_warp import UNIT

F32 = NDArray[np.float32]
DARK = np.float32(0.02) * UNIT
"""Luma below which colours follow luma less."""
LEFT = np.float32(1.64)
"""White noise of variance 1 in each channel: red less luma has .849, blue less luma 1.219, and the finest band .79 of it."""
DOUBT = np.float32(0.8)
"""Times that noise which is taken away; more of it takes faint detail too (0.8 to 1.2 is as good in plain places)."""


FIRST, PIECE = 16, 32
"""Half-size column of a window at which the picture begins; and so many within which energies are smoothed, as tiles of any
size are made up of them."""


def own_detail(plane: F32, y: F32) -> F32:
    """Finest detail of a colour (H, W) that does not follow luma's."""
    mean, low = blurred(plane), blurred(y)
    d = y - low
    return np.asarray((plane - mean) - d - (mean - low) * (d / np.maximum(low, DARK)))


def across(plane: F32) -> F32:
    """1 4 6 4 1 over 16 along rows, in each piece of them by itself, the piece's edge repeated."""
    pieces = np.split(plane, range(FIRST, plane.shape[1], PIECE), axis=1)
    return np.concatenate([_across(p) for p in pieces], axis=1)


def _across(plane: F32) -> F32:
    p = np.pad(plane, ((0, 0), (2, 2)), mode="edge")
    return np.asarray(
        f32(0.375) * p[:, 2:-2] + f32(0.25) * (p[:, 1:-3] + p[:, 3:-1]) + f32(0.0625) * (p[:, :-4] + p[:, 4:])
    )


def quiet_colours(picture: F32, noise: F32, channel: float, left: F32) -> F32:
    """The picture (3, H, W) with quiet colours.

    ``noise`` (H / 2, W / 2): variance of one channel of a frame, of which a warp leaves ``channel`` and the mean ``left``.
    """
    y = luma(picture[0], picture[1], picture[2])
    red, blue = own_detail(picture[0], y), own_detail(picture[2], y)
    e = red * red + blue * blue
    e = f32(0.25) * ((e[::2, ::2] + e[::2, 1::2]) + (e[1::2, ::2] + e[1::2, 1::2]))
    p = np.pad(e, ((1, 1), (0, 0)), mode="edge")
    found = across(across(f32(0.7) * p[1:-1] + f32(0.15) * (p[:-2] + p[2:])))
    unit = DOUBT * LEFT * f32(channel) * UNIT * UNIT
    share = np.minimum(unit * noise * left / np.maximum(found, f32(1e-6)), f32(1))
    share = share.repeat(2, axis=0).repeat(2, axis=1)
    r, b = share * red, share * blue
    green = picture[1] + (f32(0.299) * r + f32(0.114) * b) * (f32(1) / f32(0.587))
    return np.stack([picture[0] - r, green, picture[2] - b])
