"""Orders of frames by what they have sharp, from curves that are written down."""

from __future__ import annotations

import numpy as np
import pytest

from nearfar.merge.coverage.curves import Curves
from nearfar.merge.coverage.order import better_order

FRAMES = 10
NUMBER = np.arange(FRAMES)[:, None]


def curves_of(*depths: tuple[float, ...]) -> Curves:
    """Forty places that are sharp at each of these tuples of depths: blur takes half the detail within a frame or so."""
    places = [
        np.max([np.exp(-((NUMBER - z - 0.01 * np.arange(40)) ** 2) / 1.5) for z in at], axis=0)
        for at in depths
    ]
    sample = np.repeat(np.concatenate(places, axis=1)[:, None], 2, axis=1).astype(np.float32)
    grid = np.zeros((3, 1, 1), np.float32)
    floor = np.full(sample.shape[1:], 1e-3, np.float32)
    return Curves(frames=FRAMES, bands=(), peak=grid, floor=grid, sample=sample, sample_floor=floor)


def shuffled(curves: Curves, order: list[int]) -> Curves:
    return Curves(**{**vars(curves), "sample": curves.sample[order]})


@pytest.mark.parametrize("near", [1.0, 1.35, 1.6])
def test_a_mesh_before_a_far_view_is_in_order(near: float) -> None:
    """Through half of its places the view is seen as well, and nothing is sharp between the two."""
    assert better_order(curves_of((near,), (near, 8.7), (8.7,))) is None


def test_frames_that_stand_elsewhere_are_told() -> None:
    every = curves_of(*((z,) for z in np.linspace(0, 9, 12)))
    assert better_order(every) is None
    mixed = [0, 1, 2, 6, 3, 4, 5, 7, 8, 9]
    assert better_order(shuffled(every, mixed)) == [0, 1, 2, 4, 5, 6, 3, 7, 8, 9]
