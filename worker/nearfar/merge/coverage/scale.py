"""Steps at which the magnification turns back: focus breathes one way through a bracket, and a rail moves one way.

The change of magnification is not used as a measure of steps, since registration itself assumes that it is mostly even.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.robust import OVER_MEDIAN
from nearfar.merge.register.similarity import rms_radius

CERTAIN = 6.0
"""How many standard deviations a step back must stand out by."""
APART = 5.0
"""How many times the usual scatter of steps it must stand out by: a camera held by hand also sways to and fro."""
PART = 0.5
"""Least size of a step back, as a share of the usual step."""
SPAN = 8.0
"""How many standard deviations the change over the stack must have before its direction means anything."""
LEAST_SIGMA = 0.02
"""Smallest error of a pose that is assumed, px."""


def turns_back(
    poses: Sequence[NDArray[np.float64]], sigmas: Sequence[float], size: tuple[int, int]
) -> list[int]:
    """Steps (from frame k to k + 1) at which the magnification goes against the rest of the stack.

    Parameters
    ----------
    poses
        (2, 3) each, reference to frame.
    sigmas
        RMS px over the picture by which each pose is uncertain.
    size
        Width and height in pixels.
    """
    scale = np.log([float(np.hypot(p[0, 0], p[1, 0])) for p in poses])
    radius = rms_radius(size)
    error = np.maximum(np.nan_to_num(np.asarray(sigmas, np.float64), nan=1.0), LEAST_SIGMA) / radius
    steps, doubt = np.diff(scale), np.hypot(error[:-1], error[1:])
    usual = float(np.median(steps)) if steps.size else 0.0
    whole = float(steps.sum())
    if not steps.size or abs(whole) < SPAN * doubt.max() or usual * whole <= 0:
        return []
    back = -steps * np.sign(whole)
    apart = np.abs(steps - usual)
    odd = apart > APART * OVER_MEDIAN * float(np.median(apart))
    return [int(k) for k in np.flatnonzero(odd & (back > CERTAIN * doubt) & (back > PART * abs(usual)))]
