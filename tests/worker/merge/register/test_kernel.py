"""The compiled kernel against its specification, bit for bit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from nearfar.merge.kernel import register_calls, twin_register
from nearfar.merge.kernel.loader import Pixels
from tests.worker.merge.register.views import srgb_table

POSE = np.array([[1.003, -0.004, 1.37], [0.004, 1.003, -0.61]])


def same_bits(a: NDArray[np.generic], b: NDArray[np.generic]) -> bool:
    return a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()


def make_pixels(
    *, kind: type[np.unsignedinteger] = np.uint16, layout: str = "interleaved", seed: int = 0
) -> Pixels:
    """57 x 83 pixels of noise over a ramp, in one of the layouts that a mapped file may have."""
    bits = 8 * np.dtype(kind).itemsize
    random = np.random.default_rng(seed)
    values = random.integers(0, 1 << bits, (57, 83, 3)).astype(kind)
    if layout == "planar rows":
        values = np.ascontiguousarray(values.transpose(0, 2, 1)).transpose(0, 2, 1)
    elif layout == "planes":
        values = np.ascontiguousarray(values.transpose(2, 0, 1)).transpose(1, 2, 0)
    elif layout == "padded":
        wide = np.zeros((57, 90, 4), kind)
        wide[:, 3:86, :3] = values
        values = wide[:, 3:86, :3]
    return Pixels(samples=values, table=srgb_table(bits))


LAYOUTS = ["interleaved", "planar rows", "planes", "padded"]


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_windows_equal_the_twin_in_every_layout(kind: type[np.unsignedinteger], layout: str) -> None:
    pixels = make_pixels(kind=kind, layout=layout)
    corners = np.array([[0, 0], [-5, 31], [61, -9], [70, 45], [30, 20]], np.int32)
    ours = register_calls.windows(pixels, 1, corners, 24)
    assert same_bits(ours, twin_register.windows(pixels, 1, corners, 24))


def test_levelled_windows_equal_the_twin() -> None:
    pixels = make_pixels()
    corners = np.array([[0, 0], [-5, 31], [61, -9], [30, 20]], np.int32)
    lean = np.array([[0.01, -0.02], [0, 0], [0.003, 0], [0.1, 0.2]], np.float32)
    ours = register_calls.windows(pixels, 1, corners, 24, lean)
    assert same_bits(ours, twin_register.windows(pixels, 1, corners, 24, lean))
    assert same_bits(ours[1], register_calls.windows(pixels, 1, corners, 24)[1])


@pytest.mark.parametrize("reduction", [2, 3, 4])
def test_reduced_windows_and_luma_equal_the_twin(reduction: int) -> None:
    pixels = make_pixels()
    corners = np.array([[0, 0], [-2, 5], [4, -3]], np.int32)
    assert same_bits(
        register_calls.windows(pixels, reduction, corners, 18),
        twin_register.windows(pixels, reduction, corners, 18),
    )
    assert same_bits(register_calls.luma(pixels, reduction), twin_register.luma(pixels, reduction))


@pytest.mark.parametrize("shape", [(40, 61), (9, 17), (3, 5), (1, 30)])
def test_bandpass_equals_the_twin(shape: tuple[int, int]) -> None:
    picture = np.random.default_rng(3).random(shape, np.float32)
    assert same_bits(register_calls.bandpass(picture), twin_register.bandpass(picture))


def test_bandpass_is_a_difference_of_gaussians() -> None:
    """scipy.ndimage.gaussian_filter, whose 'reflect' is our mirroring; ours is cut at 5 and 8 px, which costs 2.3e-4."""
    picture = np.random.default_rng(4).random((64, 64), np.float32)
    expected = ndimage.gaussian_filter(picture.astype(float), 1.4, truncate=8) - ndimage.gaussian_filter(
        picture.astype(float), 2.5, truncate=8
    )
    assert np.abs(register_calls.bandpass(picture) - expected).max() < 5e-4


def test_windows_are_cut_out_of_the_band_passed_picture() -> None:
    pixels = make_pixels()
    whole = register_calls.bandpass(register_calls.luma(pixels, 1))
    cut = register_calls.windows(pixels, 1, np.array([[20, 11], [0, 0]], np.int32), 24)
    assert np.array_equal(cut[0], whole[11:35, 20:44])
    assert np.array_equal(cut[1], whole[:24, :24])


def test_warp_equals_the_twin() -> None:
    picture = np.random.default_rng(5).random((33, 47), np.float32)
    assert same_bits(
        register_calls.warp(picture, POSE, (40, 44), -1.0), twin_register.warp(picture, POSE, (40, 44), -1.0)
    )


def test_warp_follows_scipy() -> None:
    """scipy.ndimage.affine_transform of order 1 (it works in double precision)."""
    picture = np.random.default_rng(6).random((33, 47), np.float32)
    ours = register_calls.warp(picture, POSE, (33, 47), np.nan)
    swapped = POSE[::-1, [1, 0]]
    theirs = ndimage.affine_transform(picture.astype(float), swapped, POSE[::-1, 2], order=1)
    inside = ~np.isnan(ours)
    assert inside.mean() > 0.9
    assert np.abs(ours - theirs)[inside].max() < 1e-6


def test_sums_of_a_picture_equal_the_twin() -> None:
    random = np.random.default_rng(7)
    a, b = (random.normal(0, 0.05, (60, 80)).astype(np.float32) for _ in range(2))
    origins = np.array([[1, 1], [17, 9], [63, 43], [30, 30]], np.int32)
    at = (origins[:, 1].astype(np.int64) - 1) * 80 + origins[:, 0] - 1
    start, corner = np.zeros(4, np.int64), np.zeros((4, 2), np.int32)
    ours = register_calls.sums(origins, a, at, b, start, corner, POSE)
    assert same_bits(ours, twin_register.sums(origins, a, at, b, start, corner, POSE))
    assert not ours[0].any()  # its ring leaves the picture
    assert ours[1, 18] == 256


def test_sums_of_windows_equal_those_of_the_whole_picture() -> None:
    random = np.random.default_rng(8)
    a, b = (random.normal(0, 0.05, (60, 80)).astype(np.float32) for _ in range(2))
    origins = np.array([[17, 9], [30, 30]], np.int32)
    at = (origins[:, 1].astype(np.int64) - 1) * 80 + origins[:, 0] - 1
    whole = register_calls.sums(origins, a, at, b, np.zeros(2, np.int64), np.zeros((2, 2), np.int32), POSE)
    corners = origins - 4
    cut = np.stack([b[y : y + 26, x : x + 26] for x, y in corners])
    parts = register_calls.sums(origins, a, at, cut, np.arange(2) * 26 * 26, corners, POSE)
    assert np.allclose(whole, parts, rtol=1e-5, atol=1e-8)


def test_every_build_gives_the_same_bits(monkeypatch: pytest.MonkeyPatch) -> None:
    from nearfar.merge.kernel import loader

    pixels = make_pixels()
    corners = np.array([[0, 0], [30, 20]], np.int32)
    found = []
    for name in loader.suitable():
        monkeypatch.setenv("NEARFAR_KERNEL", name)
        loader.library.cache_clear()
        register_calls._call.cache_clear()
        found.append(register_calls.windows(pixels, 1, corners, 24).tobytes())
    monkeypatch.delenv("NEARFAR_KERNEL")
    loader.library.cache_clear()
    register_calls._call.cache_clear()
    assert len(set(found)) == 1
