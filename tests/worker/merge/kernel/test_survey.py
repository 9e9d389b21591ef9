"""The survey's kernel against its specification in NumPy, and both against SciPy and a published formula."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from nearfar.merge.kernel import picture_calls, twin_survey
from nearfar.merge.kernel.loader import BLOCK, Pixels
from tests.worker.merge.kernel.stacks import LAYOUTS, pixels_of

# width, height: edges of one, two and three pixels, on and beside multiples of the cell and of the kernel's blocks
SIZES = [(1, 1), (1, 40), (40, 1), (3, 5), (2, 34), (33, 17), (64, 48), (512, 64), (529, 66), (1030, 18)]
Surveyed = tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint16]]


def srgb_curve() -> NDArray[np.float32]:
    """Encoded value k / 16384 to linear light: IEC 61966-2-1."""
    v = np.arange(picture_calls.CURVE_STEPS + 1) / picture_calls.CURVE_STEPS
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def by_kernel(samples: NDArray[Any], step: int | None = None, layout: str = "blocks") -> Surveyed:
    """Survey by the kernel, ``step`` rows of cells in a call; what it does not fill stays not-a-number."""
    height, width, _ = samples.shape
    rows, cols = picture_calls.grid_shape(width, height)
    energy = np.full((3, rows, cols), np.nan, np.float32)
    mean = np.full((rows, cols), np.nan, np.float32)
    small = np.full((height // 4, width // 4), 12345, np.uint16)
    pixels = pixels_of(samples, layout)
    for start in range(0, rows, step or rows):
        part = (start, min(start + (step or rows), rows))
        picture_calls.measure(pixels, srgb_curve(), part, energy, mean, small)
    return energy, mean, small


def noise_picture(rng: np.random.Generator, width: int, height: int, dtype: Any = np.uint16) -> NDArray[Any]:
    return rng.integers(0, int(np.iinfo(dtype).max) + 1, (height, width, 3)).astype(dtype)


def assert_same(one: Surveyed, other: Surveyed) -> None:
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_the_kernel_measures_what_is_specified_bit_for_bit(
    rng: np.random.Generator, size: tuple[int, int], dtype: Any
) -> None:
    samples = noise_picture(rng, *size, dtype)
    expected = twin_survey.measure(samples, srgb_curve())
    for layout in LAYOUTS:
        assert_same(by_kernel(samples, layout=layout), expected)


def test_rows_of_cells_can_be_measured_in_any_portions(rng: np.random.Generator) -> None:
    samples = noise_picture(rng, 77, 150)
    whole = by_kernel(samples)
    for step in (1, 3, 4):
        assert_same(by_kernel(samples, step), whole)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_rows_become_blocks_and_blocks_the_picture_again(rng: np.random.Generator, dtype: Any) -> None:
    for width, rows in ((1, 1), (37, 5), (256, 64), (130, 63)):
        samples = noise_picture(rng, width, rows, dtype)
        blocks = np.empty((-(-width // BLOCK), 3, BLOCK, BLOCK), dtype)
        picture_calls.lay_out_rows(samples, blocks)
        table = np.zeros(np.iinfo(dtype).max + 1, np.float32)
        pixels = Pixels(samples=blocks[None], table=table, size=(width, rows))
        np.testing.assert_array_equal(pixels.picture(), samples)
        np.testing.assert_array_equal(blocks[None], twin_survey.lay_out(samples))
        assert (blocks[:, :, rows - 1 :] == blocks[:, :, rows - 1 : rows]).all(), (
            "rows beyond repeat the last one"
        )


@pytest.mark.parametrize("size", [(96, 64), (90, 53)], ids=str)
def test_energies_are_those_of_scipys_filter(rng: np.random.Generator, size: tuple[int, int]) -> None:
    """Outside reference: scipy.ndimage.convolve1d in double precision; float32 keeps five digits of it."""
    width, height = size
    samples = noise_picture(rng, width, height)
    energy, mean, _ = by_kernel(samples)
    rows, cols = picture_calls.grid_shape(width, height)
    y = samples.astype(np.float64) @ [0.299, 0.587, 0.114] / 65535
    y = np.pad(y, ((32, 32 + 16 * rows - height), (32, 32 + 16 * cols - width)), mode="edge")
    taps = np.array([1, 4, 6, 4, 1]) / 16
    for level in range(3):
        low = ndimage.convolve1d(ndimage.convolve1d(y, taps, axis=0), taps, axis=1)
        halo, side = 32 >> level, 16 >> level
        square = ((y - low) ** 2)[halo:-halo, halo:-halo]
        for r in range(rows):
            for c in range(cols):
                tall, wide = -(-(height - 16 * r) // 2**level), -(-(width - 16 * c) // 2**level)
                cell = square[side * r : side * r + min(side, tall), side * c : side * c + min(side, wide)]
                assert energy[level, r, c] == pytest.approx(cell.mean(), rel=2e-5)
        if level == 0:
            cell = y[32:48, 32:48]
            assert mean[0, 0] == pytest.approx(cell.mean(), rel=1e-6)
        y = y.reshape(y.shape[0] // 2, 2, y.shape[1] // 2, 2).mean(axis=(1, 3))


def test_a_plain_picture_has_no_energy_and_its_own_brightness() -> None:
    for level in (0, 1, 128, 254, 255):
        samples = np.full((35, 50, 3), level, np.uint8)
        energy, mean, small = by_kernel(samples)
        assert energy.max() < 1e-13
        np.testing.assert_allclose(mean, level / 255, atol=1e-6)
        v = level / 255
        light = v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1
        half_a_step = 8e-5  # of the table, where it is steepest
        np.testing.assert_allclose(small / 65535, light, atol=half_a_step)


def test_the_small_picture_is_the_mean_of_linear_light(rng: np.random.Generator) -> None:
    """Averaging 2 x 2 encoded before the curve errs by its bend; on a picture as smooth as a blurred frame, .002."""
    smooth = ndimage.gaussian_filter(rng.random((64, 80, 3)), (3, 3, 0))
    smooth = (smooth - smooth.min()) / np.ptp(smooth)
    samples = np.round(smooth * 65535).astype(np.uint16)
    small = by_kernel(samples)[2] / 65535
    y = samples.astype(np.float64) @ [0.299, 0.587, 0.114] / 65535
    light = np.interp(y, np.arange(16385) / 16384, srgb_curve())
    expected = light.reshape(16, 4, 20, 4).mean(axis=(1, 3))
    assert np.abs(small - expected).max() < 2e-3


def test_detail_is_told_by_size() -> None:
    """A grating's energy lies in the band of its period: 3, 6 and 12 pixels."""
    x = np.arange(96)
    for period, band in ((3, 0), (6, 1), (12, 2)):
        wave = 0.5 + 0.4 * np.sin(2 * np.pi * x / period)
        samples = np.round(np.broadcast_to(wave[None, :, None], (96, 96, 3)) * 65535).astype(np.uint16)
        inner = by_kernel(np.ascontiguousarray(samples))[0][:, 2:4, 2:4].mean(axis=(1, 2))
        assert inner.argmax() == band


@pytest.mark.parametrize("size", [(70, 30), (130, 200), (64, 64), (40, 520)])
def test_a_picture_that_passes_by_in_a_ring_of_blocks_is_measured_as_the_whole_one(
    rng: np.random.Generator, size: tuple[int, int]
) -> None:
    samples = noise_picture(rng, *size, np.uint8)
    whole = pixels_of(samples, "blocks")
    rows, cols = picture_calls.grid_shape(*size)
    energy, mean = np.full((3, rows, cols), np.nan, np.float32), np.full((rows, cols), np.nan, np.float32)
    small = np.full((size[1] // 4, size[0] // 4), 12345, np.uint16)
    # one row of blocks above and one below are reached into
    ring = np.zeros((3, *whole.samples.shape[1:]), np.uint8)
    passing = Pixels(samples=ring, table=whole.table, size=size, ring=3)
    for number, row in enumerate(whole.samples):
        ring[number % 3] = row
        if number:
            part = ((number - 1) * 4, number * 4)
            picture_calls.measure(passing, srgb_curve(), part, energy, mean, small)
    picture_calls.measure(passing, srgb_curve(), ((len(whole.samples) - 1) * 4, rows), energy, mean, small)
    assert_same((energy, mean, small), by_kernel(samples))
