"""Quiet colours, spelled out: the specification of quiet.h.

In paint, cloth or leaves the finest detail of all colours is the same: a surface that is lit less is darker in red, green
and blue alike, each in proportion to itself. With equal noise in all three the common detail is known best from their least
squares: of grey it has a third of the noise of one, where luma has .447. What is left of a colour after that is mostly
noise; it counts only as far as its energy stands above the noise that averaging leaves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.twin_filters import blurred, f32
from nearfar.merge.kernel.twin_survey import luma
from nearfar.merge.kernel.twin_warp import UNIT

F32 = NDArray[np.float32]
DARK = np.float32(0.02) * UNIT
"""Luma below which all colours count alike."""
LEFT = np.float32(1.586)
"""White noise of variance 1 in each channel: two parts of three do not follow the common one; the finest band has .793."""
DOUBT = np.float32(1)
"""Times that noise which is taken away; more of it takes faint detail too (hairs; 1.25 is as good in plain places)."""


FIRST, PIECE = 16, 32
"""Half-size column of a window at which the picture begins; and so many within which energies are smoothed, as tiles of any
size are made up of them."""


def own_detail(picture: F32) -> F32:
    """Finest detail (3, H, W) that does not follow the common one."""
    means = np.stack([blurred(plane) for plane in picture])
    low = luma(means[0], means[1], means[2])
    a, b, c = means + (np.maximum(low, DARK) - low)
    r, g, v = picture - means
    common = (a * r + b * g + c * v) / (a * a + b * b + c * c)
    return np.stack([r - a * common, g - b * common, v - c * common])


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
    own = own_detail(picture)
    e = own[0] * own[0] + own[1] * own[1] + own[2] * own[2]
    e = f32(0.25) * ((e[::2, ::2] + e[::2, 1::2]) + (e[1::2, ::2] + e[1::2, 1::2]))
    p = np.pad(e, ((1, 1), (0, 0)), mode="edge")
    found = across(across(f32(0.7) * p[1:-1] + f32(0.15) * (p[:-2] + p[2:])))
    unit = DOUBT * LEFT * f32(channel) * UNIT * UNIT
    share = np.minimum(unit * noise * left / np.maximum(found, f32(1e-6)), f32(1))
    return np.asarray(picture - share.repeat(2, axis=0).repeat(2, axis=1) * own)
