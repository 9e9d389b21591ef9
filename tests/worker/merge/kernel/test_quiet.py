"""Quiet colours: what three colours with noise tell of a detail that they have in common."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.kernel.twin_filters import blurred
from nearfar.merge.kernel.twin_quiet import quiet_colours
from nearfar.merge.kernel.twin_warp import UNIT

SIZE, SIGMA = 128, np.float32(0.01)
F32 = NDArray[np.float32]


def texture(rng: np.random.Generator, tint: tuple[float, float, float]) -> F32:
    """(3, h, w): a surface of one colour whose light changes from pixel to pixel."""
    light = 0.5 + 0.1 * rng.standard_normal((SIZE, SIZE))
    return (np.array(tint)[:, None, None] * light).astype(np.float32)


def quieted(picture: F32) -> F32:
    half: F32 = np.full((SIZE // 2, SIZE // 2), SIGMA * SIGMA, np.float32)
    return quiet_colours(picture * UNIT, half, 1.0, np.ones_like(half)) / UNIT


def finest(picture: F32) -> F32:
    fine = np.stack([plane - blurred(plane) for plane in picture])
    return fine[:, 16:-16, 24:-24]


@pytest.mark.parametrize("tint", [(1.0, 1.0, 1.0), (1.2, 0.8, 0.4)])
def test_common_detail_keeps_a_third_of_the_noise(
    rng: np.random.Generator, tint: tuple[float, float, float]
) -> None:
    """Least squares leave one part of three (Gauss and Markov); a part of what differs is believed."""
    true = texture(rng, tint)
    noisy = true + SIGMA * rng.standard_normal(true.shape, np.float32)
    error = finest(quieted(noisy) - true)
    before = finest(noisy - true)
    assert 0.32 < (error**2).mean() / (before**2).mean() < 0.42


def test_colours_that_differ_by_far_more_than_noise_stay(rng: np.random.Generator) -> None:
    true = 0.5 + 0.1 * rng.standard_normal((3, SIZE, SIZE)).astype(np.float32)
    assert np.abs(finest(quieted(true) - true)).max() < 0.03 * np.abs(finest(true)).max()


def test_a_frame_without_colours_gets_none(rng: np.random.Generator) -> None:
    true = texture(rng, (1.0, 1.0, 1.0))
    np.testing.assert_allclose(quieted(true), true, atol=1e-6)
