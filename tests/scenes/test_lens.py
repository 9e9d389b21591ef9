"""The blur disk and the laying over each other of surfaces."""

from __future__ import annotations

import numpy as np
import pytest

from tests.scenes.disk import Transforms, disk, variance
from tests.scenes.layers import Lens, Stage, Surface


def flat(
    value: float, shape: tuple[int, int], depth: float, *, alpha: float = 1.0, at: tuple[int, int] = (0, 0)
) -> Surface:
    return Surface(
        colour=np.full((*shape, 3), value, np.float32),
        alpha=np.full(shape, alpha, np.float32),
        depth=np.full(shape, depth, np.float32),
        at=at,
    )


def stage(
    surfaces: list[Surface], *, aperture: float = 2.0, most: float = 12.0, canvas: tuple[int, int] = (96, 96)
) -> Stage:
    return Stage(surfaces, Lens(aperture=aperture, most=most), canvas, (47.5, 47.5), 0)


@pytest.mark.parametrize("radius", [0.2, 0.5, 1.0, 1.7, 3.0, 8.0, 20.0])
def test_a_disk_has_unit_area_no_negative_weight_and_the_variance_of_an_even_disk(radius: float) -> None:
    # An even disk's variance along an axis is R^2/4: its second moment of area, pi R^4 / 4 (any handbook of
    # mechanics), over its area, pi R^2.
    kernel = disk(radius)
    assert kernel.min() >= 0
    assert kernel.sum() == pytest.approx(1)
    assert variance(kernel) == pytest.approx(radius**2 / 4, rel=0.01, abs=1e-3)


def test_a_transfer_function_passes_the_mean_and_is_shared_for_the_same_radius() -> None:
    transforms = Transforms()
    one = transforms.of((64, 80), 5.0)
    assert one[0, 0] == pytest.approx(1, abs=1e-5)
    assert transforms.of((64, 80), 5.01) is one


@pytest.mark.parametrize("frame", [1, 2, 4])
def test_a_point_spreads_to_the_radius_of_the_thin_lens(frame: int) -> None:
    # Geometric optics: the blur circle grows in proportion to the distance from the plane in focus; here aperture
    # is its radius per frame. The lens's own point (variance 1/4) adds.
    ground = flat(0.0, (96, 96), 0.0)
    ground.colour[48, 48] = 1.0
    seen = stage([ground]).frame(frame)[..., 0].astype(np.float64)
    x = np.arange(96) - 48
    width = (seen.sum(0) * x * x).sum() / seen.sum()
    assert seen.sum() == pytest.approx(1, abs=0.01)
    assert width == pytest.approx((2.0 * frame) ** 2 / 4 + 0.25, rel=0.06)


def test_what_is_in_focus_is_the_truth() -> None:
    random = np.random.default_rng(0)
    ground = flat(0.0, (96, 96), 3.0)
    ground.colour[:] = random.uniform(0, 1, ground.colour.shape)
    made = stage([ground])
    np.testing.assert_allclose(made.frame(3), made.still()[0], atol=2e-5)


def test_a_near_object_out_of_focus_spreads_over_a_sharp_background_that_goes_on_behind_it() -> None:
    board = flat(0.0, (40, 40), 0.0, at=(28, 28))
    seen = stage([flat(1.0, (96, 96), 4.0), board]).frame(4)[..., 0]
    row = seen[48]
    assert row[28] == pytest.approx(0.5, abs=0.08)  # half of the disk at a straight edge
    assert row[28 - 10] == pytest.approx(1, abs=1e-3)
    assert 0.02 < 1 - row[28 - 5] < 0.45  # the veil outside
    assert 0.02 < row[28 + 5] < 0.45  # the background shows through inside


def test_a_near_object_in_focus_hides_the_blurred_background() -> None:
    ground = flat(0.2, (96, 96), 6.0)
    ground.colour[:, ::2] = 0.9
    seen = stage([ground, flat(0.05, (40, 40), 0.0, at=(28, 28))]).frame(0)
    np.testing.assert_allclose(seen[34:62, 34:62], 0.05, atol=1e-3)


def test_a_continuous_slope_has_no_crack_between_its_slices() -> None:
    slope = flat(0.4, (96, 96), 0.0)
    slope.depth[:] = np.linspace(0, 9, 96)[:, None]
    made = stage([slope])
    for k in range(0, 10, 3):
        np.testing.assert_allclose(made.frame(k)[4:-4, 4:-4], 0.4, atol=2e-3)


def test_an_object_that_fills_its_box_is_no_background() -> None:
    seen = stage([flat(1.0, (96, 96), 0.0), flat(0.0, (30, 30), 5.0, at=(33, 33))]).frame(0)[..., 0]
    dark = (1 - seen).sum()
    assert dark == pytest.approx(30 * 30, rel=0.01)  # blur moves light, it makes and takes none


def test_a_tilted_surface_is_seen_as_rays_through_the_lens_see_it() -> None:
    # Ray optics: a pixel sees the mean over the lens of where each ray meets the surface. For a tilted plane that
    # place has a closed form, so the waves on it are summed exactly, ray by ray; the lens's own point damps them.
    tilt, aperture, k, wave = 0.1, 1.0, 0.0, 2 * np.pi / 46
    slope = flat(0.0, (96, 220), 0.0)
    x = np.arange(220.0)
    slope.depth[:] = 1.0 + tilt * x
    slope.colour[:] = (0.5 + 0.4 * np.cos(wave * x))[None, :, None]
    seen = stage([slope], aperture=aperture, most=30.0, canvas=(96, 220)).frame(int(k))[48, :, 0]
    side = (np.arange(200) + 0.5) / 100 - 1
    u = np.repeat(side, np.maximum(np.rint(400 * np.sqrt(1 - side**2)), 1).astype(int))  # even over the lens
    at = (x[:, None] + u * aperture * (1.0 - k)) / (1 - u * aperture * tilt)
    rays = (0.5 + 0.4 * np.cos(wave * at) * np.exp(-(wave**2) / 8)).mean(1)
    inside = slice(40, 180)
    np.testing.assert_allclose(seen[inside], rays[inside], atol=0.005)
