"""Who stands in one frame only is left out; what blur, brightness and swaying change is not taken for a visitor.

What is to be seen follows from how the frames are made; no outside source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusWriter
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.focus.visitors import CERTAIN, leave_out_visitors
from nearfar.merge.kernel.picture_calls import CELL
from tests.worker.merge.brackets import AT_REST

SHAPE = (20, 24)
SIZE = (SHAPE[1] * CELL, SHAPE[0] * CELL)
SKY = np.full(SHAPE, 0.7, np.float32)
WHO = np.s_[6:12, 8:11]
"""Rows and columns of cells in which someone stands."""


def frames_of(
    means: Sequence[NDArray[np.float32]], *, gains: Sequence[float] | None = None
) -> list[FocusFrame]:
    energy = np.zeros((3, *SHAPE), np.float32)
    return [
        FocusFrame(read=lambda m=m: (energy, m), pose=AT_REST, gain_ev=g)  # type: ignore[misc]
        for m, g in zip(means, gains or [0.0] * len(means), strict=True)
    ]


def writer_of(count: int, sharpest: int) -> FocusWriter:
    """One frame is let in everywhere, the others are a tenth as sharp, the one after the next a little more."""
    prior = np.full((SHAPE[0], count, SHAPE[1]), 100, np.uint16)
    prior[:, (sharpest + 2) % count] = 130
    prior[:, sharpest] = 1000
    admitted = np.zeros(prior.shape, np.uint8)
    admitted[:, sharpest] = 1
    return FocusWriter(prior, admitted)


def with_someone(count: int, place: int) -> list[NDArray[np.float32]]:
    means = [SKY.copy() for _ in range(count)]
    means[place][WHO] = 0.3
    return means


@pytest.mark.parametrize("place", [0, 1, 3, 5])
def test_who_stands_in_one_frame_is_not_let_in_and_others_are(place: int) -> None:
    writer = writer_of(6, place)
    found = leave_out_visitors(frames_of(with_someone(6, place)), writer, size=SIZE, threads=2)
    assert list(found) == [place]
    assert found[place][WHO].all()
    assert not writer.admitted[6:12, place, 8:11].any()
    assert (writer.admitted.sum(axis=1) > 0).all(), "a cell is left without a frame"
    assert writer.admitted[8, (place + 2) % 6, 9], "the sharpest of the others is not let in"
    away = np.ones(SHAPE, np.bool_)
    away[3:15, 5:14] = False
    assert (writer.admitted[:, place][away] == 1).all()
    assert writer.admitted.sum(axis=1)[away].max() == 1, "where nobody stands something changed"


@pytest.mark.parametrize("place", [0, 2, 5])
def test_a_shadow_that_passes_is_no_visitor(rng: np.random.Generator, place: int) -> None:
    """It leaves the pattern of what it falls on; who stands there has one of their own."""
    ground = np.clip(rng.normal(0.4, 0.1, (4 * SHAPE[0], 4 * SHAPE[1])), 0.1, 0.9).astype(np.float32)
    other = np.roll(ground, 37, axis=1)
    there = np.zeros(SHAPE, np.bool_)
    there[WHO] = True
    there = there.repeat(4, axis=0).repeat(4, axis=1)
    for pattern, shadow in ((ground, True), (other, False)):
        light = [np.where(there, 0.3 * pattern, ground) if k == place else ground for k in range(6)]
        found = leave_out_visitors(
            frames_of(with_someone(6, place)),
            writer_of(6, place),
            size=SIZE,
            threads=1,
            small=[lambda s=s: s.astype(np.float32) for s in light],  # type: ignore[misc]
        )
        assert list(found) == ([] if shadow else [place])


def test_who_stays_for_two_frames_is_part_of_the_scene() -> None:
    means = with_someone(6, 2)
    means[3] = means[2]
    assert leave_out_visitors(frames_of(means), writer_of(6, 2), size=SIZE, threads=1) == {}


def test_what_grows_from_frame_to_frame_is_no_visitor() -> None:
    """A dark thing that blur spreads: its cells become brighter, the more the farther the focus."""
    means = []
    for k in range(6):
        mean = SKY.copy()
        mean[WHO] -= np.float32(0.4 * np.exp(-((k - 2) ** 2) / 8))
        means.append(mean)
    assert leave_out_visitors(frames_of(means), writer_of(6, 2), size=SIZE, threads=1) == {}


def test_a_frame_that_is_brighter_as_a_whole_is_brought_to_the_others_brightness() -> None:
    means = [SKY.copy() for _ in range(5)]
    means[2] *= np.float32(2 ** (0.8 / 2.2))
    found = leave_out_visitors(
        frames_of(means, gains=[0, 0, 0.8, 0, 0]), writer_of(5, 2), size=SIZE, threads=1
    )
    assert found == {}


def test_a_faint_change_of_light_is_no_visitor() -> None:
    means = with_someone(5, 2)
    means[2][WHO] = 0.7 - 0.9 * CERTAIN
    assert leave_out_visitors(frames_of(means), writer_of(5, 2), size=SIZE, threads=1) == {}


def test_the_shadow_of_a_cloud_is_no_visitor() -> None:
    means = [SKY.copy() for _ in range(5)]
    means[2][:, :10] = 0.4
    assert leave_out_visitors(frames_of(means), writer_of(5, 2), size=SIZE, threads=1) == {}


def test_two_frames_tell_nothing() -> None:
    assert leave_out_visitors(frames_of(with_someone(2, 0)), writer_of(2, 0), size=SIZE, threads=1) == {}
