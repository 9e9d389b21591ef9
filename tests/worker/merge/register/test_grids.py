"""What is looked at cell by cell: the kernel against its specification, bit for bit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.kernel import grid_calls, twin_grids
from nearfar.merge.kernel.grid_calls import Peaks
from tests.worker.merge.register.test_kernel import POSE, same_bits

NOISE = np.float32(0.1)
A, B, C, D = np.random.default_rng(5).random((4, 41, 53)).astype(np.float32)


@pytest.mark.parametrize("picture", [A, (A * 65535).astype(np.uint16), A[:1], A[:, :1]])
def test_halving_equals_the_twin(picture: NDArray[Any]) -> None:
    assert same_bits(grid_calls.halve(picture), twin_grids.halve(picture))


def test_what_frames_share_equals_the_twin() -> None:
    ours, theirs = (m.shared((A, B), (C, D), POSE) for m in (grid_calls, twin_grids))
    assert all(same_bits(a, b) for a, b in zip(ours, theirs, strict=True))
    assert 0 < (ours[0] == 0).mean() < 0.2, "where the pose leaves the frame"


def test_relative_sharpness_equals_the_twin() -> None:
    ours, theirs = (m.relative(A, B, POSE, NOISE) for m in (grid_calls, twin_grids))
    assert all(same_bits(a, b) for a, b in zip(ours, theirs, strict=True))
    assert ours[0].max() == 1


def test_peaks_equal_the_twin() -> None:
    ours, theirs = Peaks.none((41, 53)), Peaks.none((41, 53))
    for plane in (A, B, C, D):
        grid_calls.add_to_peaks(ours, plane, POSE, NOISE)
        twin_grids.add_to_peaks(theirs, plane, POSE, NOISE)
    for name in ("best", "top", "before", "after", "last", "place"):
        assert same_bits(getattr(ours, name), getattr(theirs, name))
    assert set(np.unique(ours.place)) >= {0, 1, 2, 3}


@pytest.mark.parametrize("side", [1, 4, 7])
def test_squares_equal_the_twin(side: int) -> None:
    ours, theirs = (m.squares(A, B, POSE, side) for m in (grid_calls, twin_grids))
    for name in ("first", "second", "top", "missing"):
        assert same_bits(getattr(ours, name), getattr(theirs, name))
    assert ours.first[0] == pytest.approx(float(A[:side, :side].sum(dtype=np.float64)))


def test_likeness_sums_equal_the_twin() -> None:
    far = np.array([[1.0, 0, 900], [0, 1, 0]])
    assert same_bits(grid_calls.alike(A, B, POSE), twin_grids.alike(A, B, POSE))
    assert same_bits(grid_calls.alike(A, B, far), np.zeros(6))
    assert same_bits(grid_calls.alike(A, B, far), twin_grids.alike(A, B, far))
