"""What coverage and the passes of the focus step see of a frame, held in memory or read again."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.focus.seen import FocusFrame, Held, see
from nearfar.merge.noise import Noise

F32 = NDArray[np.float32]
SHAPE = 12, 17
BYTES = 5 * 4 * SHAPE[0] * SHAPE[1]
NOISE = Noise(variance=np.full(8, 1e-5), bands=np.ones(3))


class Reads:
    """A frame's survey that counts how often it is read."""

    def __init__(self, seed: int) -> None:
        random = np.random.default_rng(seed)
        self.energy = random.random((3, *SHAPE), np.float32) * np.float32(1e-3)
        self.mean = random.random(SHAPE, np.float32)
        self.count = 0

    def __call__(self) -> tuple[F32, F32]:
        self.count += 1
        return self.energy, self.mean


def frame(reads: Reads, held: Held | None, *, shift: float = 0.0) -> FocusFrame:
    pose = np.array([[1.0, 0.0, shift], [0.0, 1.0, 0.0]])
    return FocusFrame(read=reads, pose=pose, gain_ev=0.1, key="twin", held=held)


def test_a_frame_that_is_held_is_read_once_and_looks_the_same() -> None:
    alone, kept = Reads(1), Reads(1)
    one, other = frame(alone, None), frame(kept, Held(BYTES))
    for _ in range(3):
        a, b = see(one, NOISE), see(other, NOISE)
        assert np.array_equal(a.energy, b.energy)
        assert np.array_equal(a.luma, b.luma)
        assert np.array_equal(a.variance, NOISE.at(b.luma))
    assert (alone.count, kept.count) == (3, 1)


def test_frames_with_the_same_bytes_but_other_poses_are_held_apart() -> None:
    held, reads = Held(2 * BYTES), Reads(2)
    first, second = (see(frame(reads, held, shift=s), NOISE) for s in (0.0, 40.0))
    assert not np.array_equal(first.energy, second.energy)
    assert np.array_equal(second.energy, see(frame(reads, None, shift=40.0), NOISE).energy)


def test_no_more_is_held_than_there_is_room_for() -> None:
    held, reads = Held(2 * BYTES - 1), Reads(3)
    for _ in range(2):
        for shift in (0.0, 5.0):
            see(frame(reads, held, shift=shift), NOISE)
    assert reads.count == 3
    held.clear()
    see(frame(reads, held, shift=5.0), NOISE)
    see(frame(reads, held, shift=5.0), NOISE)
    assert reads.count == 4


def test_what_is_held_cannot_be_written_to() -> None:
    found = see(frame(Reads(4), Held(BYTES)), NOISE)
    for grid in (found.energy, found.luma, found.variance):
        with pytest.raises(ValueError, match="read-only"):
            grid[:] = 1
