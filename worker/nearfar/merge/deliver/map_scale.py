"""What the numbers in a map of frames mean, defined in one place. The kernel's ``write_map`` follows it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

FORMAT = "nearfar-focus/1"
USUAL = 256
FULL = 65535


def map_step(frames: int) -> int:
    """By how much the number grows from one frame to the next. The first frame's number is one step, and 0 is unknown.

    256 up to 255 frames, so that a frame's 256ths fit into 16 bits; less for more frames.
    """
    return USUAL if frames <= FULL // USUAL else max(1, FULL // (frames + 1))


def describe(names: Sequence[str]) -> str:
    """ImageDescription of a map of these frames."""
    step = map_step(len(names))
    return json.dumps(
        {FORMAT: {"unit": "frame", "first": step, "step": step, "unknown": 0, "frames": list(names)}}
    )


def step_of(told: Mapping[str, Any]) -> int:
    """The step that a map's ImageDescription gives; 256 if it gives none."""
    step = told.get("step")
    return step if isinstance(step, int) and 0 < step <= FULL else USUAL


def frame_places(values: NDArray[Any], step: int) -> NDArray[np.float32]:
    """Places of frames, from 0 and with fractions, for the numbers in a map; -1 or less where unknown."""
    return np.asarray(values.astype(np.float32) / np.float32(step) - 1, np.float32)
