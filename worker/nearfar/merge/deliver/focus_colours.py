"""The map of frames as a picture for people: one ramp of colours from the first frame to the last."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.deliver.map_scale import frame_places, map_step

RAMP = np.array([[38, 26, 74], [42, 92, 138], [66, 158, 142], [188, 196, 112], [246, 226, 184]], np.float32)
"""Colours at equal steps from the first frame to the last, sRGB; lightness grows steadily, so the map reads in grey too."""


def colour_map(frame_map: NDArray[np.uint16], certain: NDArray[np.float32], frames: int) -> NDArray[np.uint8]:
    """Colour a map of frames.

    Parameters
    ----------
    frame_map
        (h, w), numbers as `map_scale` defines them; 0 is unknown.
    certain
        (R, C), how certain each cell is, 0..1; the lower, the more grey is mixed in.
    frames
        Number of frames.

    Returns
    -------
    (h, w, 3) uint8 RGB.
    """
    place = np.clip(frame_places(frame_map, map_step(frames)) / max(frames - 1, 1), 0, 1) * (len(RAMP) - 1)
    left = np.minimum(place.astype(np.int32), len(RAMP) - 2)
    part = (place - left)[..., None]
    colour = RAMP[left] * (1 - part) + RAMP[left + 1] * part
    sure = cv2.resize(certain, frame_map.shape[::-1], interpolation=cv2.INTER_LINEAR)[..., None]
    sure = np.clip(sure * 1.5, 0, 1) * 0.75 + 0.25
    mixed = colour * sure + np.float32(128) * (1 - sure)
    mixed[frame_map == 0] = 0
    return np.asarray((mixed + 0.5).astype(np.uint8))
