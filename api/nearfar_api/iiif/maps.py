"""Colours for the maps of a result, which hold numbers and no light: the sharpest frame at each place, the doubt about it.

A map says of itself what its numbers mean, in its ImageDescription (`nearfar.merge.deliver.side_files`).
"""

from __future__ import annotations

import json

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.srgb import Convert
from nearfar.merge.deliver.focus_colours import RAMP
from nearfar.merge.deliver.map_scale import FORMAT, FULL, frame_places, step_of

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

DOUBT = np.array([[16, 16, 16], [122, 42, 24], [255, 138, 107], [255, 233, 223]], np.float32)
"""Colours at equal steps from sure to in doubt, sRGB; lightness grows steadily, so the map reads in grey too."""


def map_colours(description: str) -> Convert | None:
    """What turns the samples of a map, (h, w, 1) uint16, into colours, (h, w, 3) uint8; None if it is no map of ours."""
    try:
        told = json.loads(description)
    except ValueError:
        return None
    if not isinstance(told, dict):
        return None
    focus = told.get(FORMAT)
    if isinstance(focus, dict) and isinstance(focus.get("frames"), list):
        return _looking_up(_focus(len(focus["frames"]), step_of(focus)))
    if "nearfar-doubt/1" in told:
        return _looking_up(_along(DOUBT, np.linspace(0, 1, FULL + 1, dtype=np.float32)))
    return None


def _focus(frames: int, step: int) -> U8:
    """A colour for each number from the first frame to the last; 0 (no frame is sharp) is black."""
    place = frame_places(np.arange(FULL + 1), step) / max(frames - 1, 1)
    table = _along(RAMP, np.clip(place, 0, 1))
    table[0] = 0
    return table


def _along(ramp: F32, place: F32) -> U8:
    steps = np.linspace(0, 1, len(ramp))
    channels = [np.interp(place, steps, ramp[:, k]) for k in range(3)]
    return (np.stack(channels, axis=-1) + 0.5).astype(np.uint8)


def _looking_up(table: U8) -> Convert:
    return lambda samples: np.take(table, samples[..., 0], axis=0)
