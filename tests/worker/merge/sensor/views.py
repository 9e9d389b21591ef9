"""Rendered brackets as the search for spots sees them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.colour import light_table
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.picture_calls import CURVE_STEPS, grid_shape, measure
from nearfar.merge.noise import Noise, estimate, lowest_cells
from nearfar.merge.sensor import SensorFrame
from tests.scenes import Scene


def view(frame: NDArray[np.generic], pose: NDArray[np.float64]) -> SensorFrame:
    """One frame (h, w, 3, sRGB, uint8 or uint16) with its survey."""
    height, width = frame.shape[:2]
    table = light_table(None, 8 * frame.itemsize)
    curve = np.interp(np.arange(CURVE_STEPS + 1) / CURVE_STEPS, np.linspace(0, 1, table.size), table)
    rows, cols = grid_shape(width, height)
    energy, mean = np.empty((3, rows, cols), np.float32), np.empty((rows, cols), np.float32)
    small = np.empty((height // 4, width // 4), np.uint16)
    pixels = Pixels(samples=np.ascontiguousarray(frame), table=table)
    measure(pixels, curve.astype(np.float32), (0, rows), energy, mean, small)
    return SensorFrame(
        pixels=pixels,
        pose=pose,
        read_small=lambda: small.astype(np.float32) / np.float32(65535),
        read_energy=lambda: (energy, mean),
    )


def views(scene: Scene) -> list[SensorFrame]:
    return [view(f, p) for f, p in zip(scene.frames, scene.poses, strict=True)]


def noise_of(frames: list[SensorFrame]) -> Noise:
    bits = 8 * frames[0].pixels.samples.itemsize
    return estimate([lowest_cells(*f.read_energy()) for f in frames], bits=bits)
