"""Where the magnification turns back, if registration knows it well enough."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.coverage.scale import turns_back
from tests.worker.merge.kernel.stacks import similarity

SIZE = (1200, 800)


def poses(steps: Sequence[float], breathing: float = 0.002) -> list[NDArray[np.float64]]:
    """Frames at the given places, magnification growing evenly; shift and roll are there too."""
    return [similarity(1 + breathing * s, 0.001 * (-1) ** k, (k, -k), SIZE) for k, s in enumerate(steps)]


@pytest.mark.parametrize("sign", [1, -1])
def test_a_turn_is_told_in_either_direction(sign: int) -> None:
    places = [sign * s for s in (0, 1, 2, 3, 2, 4, 5, 6, 7, 8)]
    assert turns_back(poses(places), [0.03] * 10, SIZE) == [3]


def test_what_the_poses_are_too_unsure_for_is_no_turn() -> None:
    places = [0, 1, 2, 3, 2, 4, 5, 6, 7, 8]
    assert turns_back(poses(places), [1.0] * 10, SIZE) == []
    assert turns_back(poses(places), [np.nan] * 10, SIZE) == []


def test_frames_that_run_on_evenly_do_not_turn(rng: np.random.Generator) -> None:
    for _ in range(20):
        places = np.arange(20) + rng.normal(0, 0.1, 20)
        assert turns_back(poses([float(p) for p in places]), [0.05] * 20, SIZE) == []


def test_a_camera_that_sways_by_hand_does_not_turn(rng: np.random.Generator) -> None:
    for _ in range(20):
        places = np.arange(20) + rng.normal(0, 1.0, 20)
        assert turns_back(poses([float(p) for p in places]), [0.01] * 20, SIZE) == []
