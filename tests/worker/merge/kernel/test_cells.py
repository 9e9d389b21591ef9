"""Grids of cells: the kernel against its specification in NumPy, and against SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from nearfar.errors import WorkFailed
from nearfar.merge.kernel import picture_calls, twin_cells
from tests.worker.merge.kernel.stacks import random_bend

SHAPES = [(1, 1), (1, 9), (7, 1), (2, 2), (13, 31), (64, 48)]
SIGMAS = (0.6, 1.0, 1.6, 3.0, 9.0)
POSES = {
    "at rest": [[1, 0, 0], [0, 1, 0]],
    "shifted": [[1, 0, 0.37], [0, 1, -1.21]],
    "scaled and rolled": [[1.06, -0.08, 0.4], [0.08, 1.06, -0.9]],
    "far outside": [[1, 0, 400.5], [0, 1, -977.25]],
}


def grid(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.float32]:
    return rng.random(shape).astype(np.float32)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("name", POSES)
def test_a_warped_grid_is_as_specified_and_as_scipy_has_it(
    rng: np.random.Generator, shape: tuple[int, int], name: str
) -> None:
    """Outside reference: scipy.ndimage.map_coordinates, linear, edge value outside; float32 against double."""
    g, pose = grid(rng, shape), np.array(POSES[name], float)
    warped = picture_calls.warp_grid(g, pose)
    np.testing.assert_array_equal(warped, twin_cells.warp(g, pose))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    u, v = (p[0] * x + p[1] * y + p[2] for p in pose)
    expected = ndimage.map_coordinates(g.astype(float), [v, u], order=1, mode="nearest")
    np.testing.assert_allclose(warped, expected, atol=3e-7)
    size = (16 * shape[1], 16 * shape[0])
    bend = random_bend(rng, size, 30.0)
    warped = picture_calls.warp_grid(g, pose, bend)
    np.testing.assert_array_equal(warped, twin_cells.warp(g, pose, bend))
    du, dv = bend.at(16 * x + 7.5, 16 * y + 7.5)
    expected = ndimage.map_coordinates(g.astype(float), [v + dv / 16, u + du / 16], order=1, mode="nearest")
    np.testing.assert_allclose(warped, expected, atol=3e-7)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("sigma", SIGMAS)
def test_a_blurred_grid_is_as_specified(
    rng: np.random.Generator, shape: tuple[int, int], sigma: float
) -> None:
    g = grid(rng, shape)
    taps = picture_calls.gaussian_taps(sigma)
    np.testing.assert_array_equal(picture_calls.blur_grid(g, sigma), twin_cells.blur(g, taps))


@pytest.mark.parametrize("sigma", SIGMAS)
def test_the_blur_is_scipys_gaussian_out_to_three_sigma(rng: np.random.Generator, sigma: float) -> None:
    """Outside reference: scipy.ndimage.gaussian_filter(mode='reflect', truncate=3), on grids that are wider than
    the filter reaches. Taps in whole 65536ths leave an error of 1e-4 at most."""
    g = grid(rng, (61, 40))
    expected = ndimage.gaussian_filter(g.astype(float), sigma, mode="reflect", truncate=3.0)
    np.testing.assert_allclose(picture_calls.blur_grid(g, sigma), expected, atol=1e-4)


@pytest.mark.parametrize("sigma", SIGMAS)
def test_the_taps_fall_off_and_add_up_to_one(sigma: float) -> None:
    taps = picture_calls.gaussian_taps(sigma).astype(float)
    assert taps[0] + 2 * taps[1:].sum() == 1.0
    assert (np.diff(taps) <= 0).all()
    assert (taps >= 0).all()


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_a_plain_grid_stays_plain_whatever_its_size(shape: tuple[int, int]) -> None:
    g = np.full(shape, 0.7, np.float32)
    for sigma in SIGMAS:
        np.testing.assert_allclose(picture_calls.blur_grid(g, sigma), 0.7, rtol=2e-6)
    for pose in POSES.values():
        np.testing.assert_allclose(picture_calls.warp_grid(g, np.array(pose, float)), 0.7, rtol=2e-7)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_a_grown_grid_is_as_specified_and_as_scipy_has_it(
    rng: np.random.Generator, shape: tuple[int, int]
) -> None:
    """Outside reference: scipy.ndimage.binary_dilation with a square of 3 x 3."""
    g = (rng.random(shape) < 0.1).astype(np.uint8)
    grown = picture_calls.grow_grid(g)
    np.testing.assert_array_equal(grown, twin_cells.grow(g))
    np.testing.assert_array_equal(grown, ndimage.binary_dilation(g, np.ones((3, 3))).astype(np.uint8))


def test_views_with_gaps_are_refused(rng: np.random.Generator) -> None:
    with pytest.raises(WorkFailed, match="contiguous"):
        picture_calls.grow_grid((rng.random((6, 8)) < 0.5).astype(np.uint8)[:, ::2])
