"""What the numbers in a map of frames mean, in one place. The kernel's `write_map` counts alike."""

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
    """Numbers from one frame to the next; the first frame has as many, and 0 is unknown.

    256ths of a frame where 16 bits hold them, which they do up to the 255th frame; else fewer parts of a frame.
    """
    return USUAL if frames <= FULL // USUAL else max(1, FULL // (frames + 1))


def describe(names: Sequence[str]) -> str:
    """ImageDescription of a map of these frames."""
    step = map_step(len(names))
    return json.dumps(
        {FORMAT: {"unit": "frame", "first": step, "step": step, "unknown": 0, "frames": list(names)}}
    )


def step_of(told: Mapping[str, Any]) -> int:
    """The step that a map tells in its ImageDescription; the usual one where it tells none."""
    step = told.get("step")
    return step if isinstance(step, int) and 0 < step <= FULL else USUAL


def frame_places(values: NDArray[Any], step: int) -> NDArray[np.float32]:
    """Frame numbers from 0, fractions included, of numbers in a map; -1 and below where unknown."""
    return np.asarray(values.astype(np.float32) / np.float32(step) - 1, np.float32)
