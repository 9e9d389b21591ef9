"""Frames whose view was blocked, found in any place of a stack and by any number of threads."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.register import FramePose
from nearfar.merge.register.blocked import covered_frames

F32 = NDArray[np.float32]
COUNT, SHAPE = 21, (64, 96)


def _frame() -> FramePose:
    """A frame that lies as all others do and resembles none of them much."""
    return FramePose(
        used=True,
        why=None,
        pose=np.array([[1.0, 0, 0], [0, 1, 0]]),
        gain_ev=0.0,
        confidence=1.0,
        likeness=0.5,
        sigma=0.0,
        drift=0.0,
    )


@pytest.mark.parametrize("hidden", [0, 1, 8, 9, 10, 19, 20])
def test_whoever_looks_the_covered_frame_is_found(hidden: int) -> None:
    plane = np.random.default_rng(5).uniform(0.3, 0.4, SHAPE).astype(np.float32)
    covered = plane.copy()
    covered[:, :48] *= 0.2  # the left half in the shade of something
    asked: list[int] = []

    def small(place: int) -> F32:
        asked.append(place)
        return covered if place == hidden else plane

    def colour(_: int) -> F32:
        return np.full((3, SHAPE[0] // 4, SHAPE[1] // 4), 0.4, np.float32)

    found = [covered_frames([_frame()] * COUNT, small, colour, threads) for threads in (1, 3)]
    assert found[0] == found[1]
    assert found[0] == {hidden: pytest.approx(0.5, abs=0.05)}
    assert len(asked) < 3 * 2 * COUNT, "frames are read over and over"


def test_lamps_that_blur_spreads_before_the_night_are_no_hand() -> None:
    """The first frame has disks where the others have points; their light reaches a band along the border."""
    random = np.random.default_rng(3)
    near = random.uniform(0.010, 0.012, SHAPE).astype(np.float32)
    far = near.copy()
    for x in range(4, 96, 8):
        near[10:22, x - 3 : x + 4] += 0.04
        far[16:18, x : x + 2] += 12 * 7 * 0.04 / 4

    def small(place: int) -> F32:
        return near if place == 0 else far

    def colour(place: int) -> F32:
        plane = small(place).reshape(SHAPE[0] // 4, 4, SHAPE[1] // 4, 4).mean(axis=(1, 3))
        return np.stack([2 * plane, plane, 0.5 * plane + 0.02]).astype(np.float32)

    assert covered_frames([_frame()] * 4, small, colour) == {}
