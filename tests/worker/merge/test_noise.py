"""Noise by brightness: the constants repeated by simulation, known noise found again, texture not taken for it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge import noise as noise_module
from nearfar.merge.chooser import numbers
from nearfar.merge.kernel import twin_render, twin_warp
from nearfar.merge.noise import (
    CENTRES,
    EDGES,
    FLOOR,
    LOWEST,
    LOWEST_OF_MEAN,
    WHITE,
    Noise,
    estimate,
    lowest_cells,
)
from tests.worker.merge.brackets import bracket, encoded, ramp, surveyed, texture
from tests.worker.merge.common import common
from tests.worker.merge.kernel.stacks import similarity

Random = np.random.Generator
LUMA_OF_WHITE = 0.299**2 + 0.587**2 + 0.114**2
"""Variance of luma for white noise of variance 1 in each channel."""


def white(
    rng: Random, sigma: float, *, size: tuple[int, int] = (512, 512), level: float = 0.5
) -> NDArray[np.uint16]:
    return encoded(np.full((size[1], size[0], 3), level), rng, sigma)


def test_energies_of_white_noise_are_the_constants(rng: Random) -> None:
    """By simulation within 2 %, and by hand: the band 1 - B5 B5 keeps 1 - 2 (3/8)^2 + (70/256)^2 of the variance,
    each halving a quarter (70/256 is the sum of the squares of 1 4 6 4 1 over 16)."""
    cells = np.concatenate([surveyed(white(rng, 0.02))[0].reshape(3, -1) for _ in range(6)], axis=1)
    np.testing.assert_allclose(cells.mean(axis=1) / 0.02**2, WHITE, rtol=0.02)
    kept = 1 - 2 * (3 / 8) ** 2 + (70 / 256) ** 2
    np.testing.assert_allclose(WHITE, LUMA_OF_WHITE * kept / 4.0 ** np.arange(3), rtol=0.005)


def test_the_lowest_cells_of_white_noise_are_the_constants(rng: Random) -> None:
    """By simulation, 6144 cells: 3 % is about three times the scatter of the coarsest band."""
    cells = np.concatenate([surveyed(white(rng, 0.02))[0].reshape(3, -1) for _ in range(6)], axis=1)
    found = np.quantile(cells, LOWEST, axis=1) / cells.mean(axis=1)
    np.testing.assert_allclose(found, LOWEST_OF_MEAN, rtol=0.03)


def test_a_warp_leaves_of_white_noise_what_the_tiles_count_on(rng: Random) -> None:
    """By simulation over 25 phases within 4 %, about twice its scatter; the channel also by the mean over all phases of
    its squared weights, within .2 %."""
    samples, found = white(rng, 0.02, size=(256, 256)), []
    for phase in range(25):
        shift = ((phase % 5 + 0.5) / 5, (phase // 5 + 0.5) / 5)
        frame = twin_warp.carry(samples, None, similarity(1, 0, shift, (256, 256)), 16, 16, 224, 224)
        channel = (frame.colour.astype(np.float64) / 24576).var(axis=(1, 2)).mean()
        second = twin_render.second_band(frame)[4:-4, 4:-4].mean()
        found.append([channel, frame.square[2:-2, 2:-2].mean(), second])
    kept = np.mean(found, axis=0) / 0.02**2
    np.testing.assert_allclose(kept, [numbers.CHANNEL, numbers.BAND0, numbers.BAND1], rtol=0.04)
    t = np.linspace(0, 1, 2001).astype(np.float32)
    one_axis = np.mean(sum(w.astype(np.float64) ** 2 for w in twin_warp.weights_at(t)))
    assert pytest.approx(one_axis**2, rel=0.002) == numbers.CHANNEL


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("sigma", [0.003, 0.01, 0.03])
def test_white_noise_is_found_again_at_every_brightness(rng: Random, sigma: float, dtype: Any) -> None:
    """Within 15 %, on a slope from dark to light."""
    slope = np.broadcast_to(np.linspace(0.03, 0.97, 512)[None, :, None], (512, 512, 3))
    told = [lowest_cells(*surveyed(encoded(slope, rng, sigma, dtype))) for _ in range(4)]
    found = estimate(told, bits=8 * np.dtype(dtype).itemsize)
    levels = np.array([0.1, 0.3, 0.5, 0.7, 0.9], np.float32)
    np.testing.assert_allclose(np.sqrt(found.at(levels)), sigma, rtol=0.15)
    np.testing.assert_allclose(found.bands, 1, atol=0.15)
    assert found.sigma == pytest.approx(sigma, rel=0.15)
    for band in range(3):
        expected = sigma**2 * WHITE[band]
        assert found.energy(band, levels)[2] == pytest.approx(expected, rel=0.3)


def test_noise_that_grows_with_light_is_found_so(rng: Random) -> None:
    """Sigma from .004 in the dark to .016 in the light."""
    slope = np.broadcast_to(np.linspace(0.03, 0.97, 768)[None, :, None], (512, 768, 3))
    sigma = 0.004 + 0.012 * slope
    frames = [np.round((slope + sigma * rng.normal(size=slope.shape)).clip(0, 1) * 65535) for _ in range(4)]
    found = estimate([lowest_cells(*surveyed(f.astype(np.uint16))) for f in frames], bits=16)
    levels = np.array([0.15, 0.5, 0.85], np.float32)
    np.testing.assert_allclose(np.sqrt(found.at(levels)), 0.004 + 0.012 * levels, rtol=0.15)


@pytest.mark.parametrize("sigma", [0.002, 0.004, 0.012])
def test_texture_on_a_slope_hardly_passes_for_noise(rng: Random, sigma: float) -> None:
    pictures = bracket(
        rng, texture(rng, (480, 320)), ramp((480, 320), 0, 11), range(12), blur=1.0, noise=sigma
    )
    found = estimate([lowest_cells(*surveyed(p)) for p in pictures], bits=16)
    assert 0.85 * sigma < found.sigma < 1.3 * sigma


@pytest.mark.parametrize("kind", ["doorways", "hairs"])
def test_texture_of_a_rendered_scene_hardly_passes_for_noise(kind: str) -> None:
    scene = common(kind)
    found = estimate([lowest_cells(*surveyed(f)) for f in scene.frames], bits=16)
    assert 0.85 * scene.noise < found.sigma < 1.3 * scene.noise


def test_a_figure_that_is_given_is_taken(rng: Random) -> None:
    found = estimate([lowest_cells(*surveyed(white(rng, 0.02)))], bits=16, sigma=0.007)
    assert found.sigma == pytest.approx(0.007)
    np.testing.assert_array_equal(found.bands, 1)


def test_frames_without_noise_count_as_rounded(rng: Random) -> None:
    """Rounding to whole levels has a variance of a twelfth of a level squared (uniform distribution)."""
    plain = np.full((256, 256, 3), 0.5)
    for dtype, bits in ((np.uint8, 8), (np.uint16, 16)):
        told = [lowest_cells(*surveyed(encoded(plain, rng, 0.0, dtype)))]
        assert estimate(told, bits=bits).variance.max() == pytest.approx(FLOOR[bits])
    assert FLOOR[8] == pytest.approx(1 / 255**2 / 12)


def test_pictures_too_small_or_too_dark_to_tell_give_the_floor(rng: Random) -> None:
    told = [
        lowest_cells(*surveyed(white(rng, 0.02, size=(64, 64)))),
        lowest_cells(*surveyed(white(rng, 0.001, size=(512, 512), level=0.005))),
    ]
    assert all(np.isnan(t).all() for t in told)
    found = estimate(told, bits=16)
    assert found.sigma == pytest.approx(np.sqrt(FLOOR[16]))


def test_brightness_that_no_frame_shows_takes_the_nearest_figure(rng: Random) -> None:
    found = estimate([lowest_cells(*surveyed(white(rng, 0.01, level=0.6)))], bits=16)
    np.testing.assert_allclose(np.sqrt(found.variance), 0.01, rtol=0.1)


def test_between_the_bins_noise_is_interpolated() -> None:
    curve = Noise(variance=np.linspace(1e-5, 8e-5, len(CENTRES)), bands=np.array([1.0, 2.0, 0.5]))
    middle = np.array([(CENTRES[2] + CENTRES[3]) / 2], np.float32)
    assert curve.at(middle)[0] == pytest.approx(3.5e-5, rel=1e-5)
    assert curve.energy(1, middle)[0] == pytest.approx(3.5e-5 * WHITE[1] * 2, rel=1e-5)
    assert noise_module.EDGES[0] > 0
    assert noise_module.EDGES[-1] < 1


def test_the_lowest_cells_are_those_of_each_brightness(rng: Random) -> None:
    energy = rng.random((3, 60, 70)).astype(np.float32)
    mean = rng.random((60, 70)).astype(np.float32) ** 2
    mean[:6] = [*EDGES, *CENTRES[:5]] * 5  # on the limits themselves: as numpy.digitize puts them
    bins = np.digitize(mean, EDGES) - 1
    found = lowest_cells(energy, mean)
    for b in range(len(CENTRES)):
        expected = [
            np.quantile(e[bins == b], LOWEST) / share for e, share in zip(energy, LOWEST_OF_MEAN, strict=True)
        ]
        np.testing.assert_array_equal(found[:, b], expected)
