"""A frame as the search for spots sees it, and where the scene lies on the sensor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import Bend, onto_frame, onto_picture
from nearfar.merge.kernel.loader import Pixels

Poses = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SensorFrame:
    """One used frame as the search sees it. ``read_small`` and ``read_energy`` read its survey from scratch."""

    pixels: Pixels
    pose: Poses
    read_small: Callable[[], NDArray[np.float32]]
    read_energy: Callable[[], tuple[NDArray[np.float32], NDArray[np.float32]]]
    bend: Bend | None = None


def spread_over(count: int, most: int) -> list[int]:
    """Up to ``most`` of so many frames, the first and the last among them."""
    return sorted({round(v) for v in np.linspace(0, count - 1, min(count, most))})


def scene_at(frames: Sequence[SensorFrame], x: NDArray[np.float64], y: NDArray[np.float64]) -> Poses:
    """Picture places (frames, n, 2) that lie at one place of the sensor in each frame."""
    return np.stack([np.stack(onto_picture(f.pose, f.bend, x, y), axis=-1) for f in frames])


def carried(
    one: SensorFrame, other: SensorFrame, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the other frame has the scene that the first has at these places."""
    return onto_frame(other.pose, other.bend, *onto_picture(one.pose, one.bend, x, y))
