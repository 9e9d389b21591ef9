"""Planes of a picture split into bands by size of detail and summed again, with the same bits on every machine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
LEVELS = 4
"""Bands that a soft edge blends apart."""
REACH = 2 * (2**LEVELS - 1)
"""Pixels around a place that its bands depend on."""
WHITE = (0.7925, 0.0402, 0.0073)
"""Energy of white noise of variance 1 in the three finest bands; simulated, and a test repeats the simulation."""


def spread(plane: F32, step: int) -> F32:
    """Filter (h, w[, c]) by [1 4 6 4 1] / 16 with taps ``step`` apart, along both axes, the edge repeated outside."""
    for axis in (0, 1):
        margin = [(0, 0)] * plane.ndim
        margin[axis] = (2 * step, 2 * step)
        wide = np.pad(plane, margin, mode="edge")
        n = plane.shape[axis]
        p = [wide[k : k + n] if axis == 0 else wide[:, k : k + n] for k in range(0, 5 * step, step)]
        plane = (
            np.float32(0.375) * p[2] + np.float32(0.25) * (p[1] + p[3]) + np.float32(0.0625) * (p[0] + p[4])
        )
    return plane


def bands(plane: F32, levels: int = LEVELS) -> list[F32]:
    """The bands of detail, finest first, and what remains; their sum is the plane."""
    found = []
    for level in range(levels):
        smooth = spread(plane, 1 << level)
        found.append(plane - smooth)
        plane = smooth
    return [*found, plane]


def blend(source: F32, below: F32, weights: Sequence[F32]) -> F32:
    """Blend ``source`` over ``below``, each band of their difference with a weight (h, w) of its own, 0..1.

    With weights of 1 the result is the source, bit for bit.
    """
    out = source.copy()
    for band, weight in zip(bands(source - below), weights, strict=True):
        out += (weight - np.float32(1))[:, :, None] * band
    return out


def square_mean(picture: F32) -> F32:
    """Mean of the squares of three channels, (h, w)."""
    r, g, b = picture[:, :, 0], picture[:, :, 1], picture[:, :, 2]
    return np.asarray((r * r + g * g + b * b) * np.float32(1 / 3), np.float32)


def halved(plane: F32) -> F32:
    """Means of 2 x 2 places of (h, w[, c]); an odd edge is repeated."""
    odd = [(0, plane.shape[k] & 1) if k < 2 else (0, 0) for k in range(plane.ndim)]
    even = np.pad(plane, odd, mode="edge")
    total = even[::2, ::2] + even[::2, 1::2] + even[1::2, ::2] + even[1::2, 1::2]
    return np.asarray(np.float32(0.25) * total, np.float32)


def doubled(plane: F32, shape: tuple[int, int]) -> F32:
    """Each place repeated 2 x 2 times, cut to ``shape``."""
    return np.repeat(np.repeat(plane, 2, 0), 2, 1)[: shape[0], : shape[1]]
