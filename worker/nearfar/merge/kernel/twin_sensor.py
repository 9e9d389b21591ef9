"""Isolated pixels of one frame, spelled out: the specification of sensor.c."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]


def mean_of_colours(samples: NDArray[Any]) -> F32:
    """Mean of red, green and blue (h, w), 0..1, of samples (h, w, 3), uint8 or uint16, as they are encoded."""
    scale = np.float32(1) / np.float32(3 * np.iinfo(samples.dtype).max)
    return np.asarray(samples.astype(np.int32).sum(axis=2).astype(np.float32) * scale)


def ring_extremes(plane: F32) -> tuple[F32, F32]:
    """Largest and least of the sixteen pixels at a distance of two of each pixel; the edge is repeated outside."""
    h, w = plane.shape
    padded = np.pad(plane, 2, mode="edge")
    ring = [
        padded[2 + dy : 2 + dy + h, 2 + dx : 2 + dx + w]
        for dy in range(-2, 3)
        for dx in range(-2, 3)
        if max(abs(dx), abs(dy)) == 2
    ]
    return np.max(ring, axis=0), np.min(ring, axis=0)


def isolated(samples: NDArray[Any], least: float) -> tuple[NDArray[np.int64], F32]:
    """Places (y width + x) that stand out by more than ``least`` and are the extremes of their nine, and by how much.

    The height is negative where the pixel is darker than all around it.
    """
    plane = mean_of_colours(samples)
    h, w = plane.shape
    high, low = ring_extremes(plane)
    above, below = plane - high, low - plane
    padded = np.pad(plane, 1, mode="edge")
    nine = [padded[dy : dy + h, dx : dx + w] for dy in range(3) for dx in range(3)]
    bright = (above > np.float32(least)) & (plane >= np.max(nine, axis=0))
    dark = (below > np.float32(least)) & (plane <= np.min(nine, axis=0))
    places = np.flatnonzero(bright | dark)
    heights = np.where(bright, above, -below).ravel()[places]
    return places.astype(np.int64), heights.astype(np.float32)
