"""Filters of the tile kernel on whole planes, with edges repeated outside; part of the specification of render.c."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.twin_survey import b5

F32 = NDArray[np.float32]


def blurred(plane: F32) -> F32:
    """B5 = [1 4 6 4 1] / 16 along both axes of a plane, the edge repeated outside."""
    return b5(np.pad(plane, 2, mode="edge"))


def f32(value: float) -> np.float32:
    """A number as the kernel's structure holds it."""
    return np.float32(value)


def softened(plane: F32) -> F32:
    """[.15 .7 .15] first down and then across, the edge repeated outside."""
    p = np.pad(plane, ((1, 1), (0, 0)), mode="edge")
    p = f32(0.7) * p[1:-1] + f32(0.15) * (p[:-2] + p[2:])
    p = np.pad(p, ((0, 0), (1, 1)), mode="edge")
    return np.asarray(f32(0.7) * p[:, 1:-1] + f32(0.15) * (p[:, :-2] + p[:, 2:]))


def upsample(plane: F32) -> F32:
    """Half size to full size: along each axis 3/4 of the place that a pixel lies in and 1/4 of its nearer neighbour."""
    p = np.pad(plane, 1, mode="edge")
    down = np.empty((2 * plane.shape[0], p.shape[1]), np.float32)
    down[::2] = f32(0.75) * p[1:-1] + f32(0.25) * p[:-2]
    down[1::2] = f32(0.75) * p[1:-1] + f32(0.25) * p[2:]
    out = np.empty((down.shape[0], 2 * plane.shape[1]), np.float32)
    out[:, ::2] = f32(0.75) * down[:, 1:-1] + f32(0.25) * down[:, :-2]
    out[:, 1::2] = f32(0.75) * down[:, 1:-1] + f32(0.25) * down[:, 2:]
    return out
