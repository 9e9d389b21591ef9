"""Colours against LittleCMS with floating point (through imagecodecs), by CIEDE2000 (through scikit-image).

LittleCMS with 16-bit samples is no measure: near black it differs from its own floating-point result by up to 25 of
255 steps for profiles with a plain exponent.
"""

from __future__ import annotations

import functools
import struct

import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import ImageCms
from skimage.color import deltaE_ciede2000, rgb2lab

from nearfar.frames.colour import shaper, srgb_profile
from nearfar.frames.srgb import plain, to_srgb
from tests.api.iiif.painting import grey_profile, profile, wide_profile

ROUNDED = 0.95
"""CIEDE2000 that rounding to 8 bits alone costs at most, as measured here on the same colours, and a little."""
LIBRARY = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.fixture
def colours(rng: np.random.Generator) -> NDArray[np.uint16]:
    """All over the cube, and many in the shadows."""
    even = rng.integers(0, 65536, (64, 256, 3))
    return np.concatenate([even, even // 16]).astype(np.uint16)


def reference(colours: NDArray[np.uint16], icc: bytes) -> NDArray[np.float64]:
    found = imagecodecs.cms_transform(
        (colours / 65535).astype(np.float32),
        icc,
        srgb_profile(),
        colorspace="rgb",
        outcolorspace="rgb",
        outdtype="float32",
        intent=1,
    )
    return np.clip(np.asarray(found, np.float64), 0, 1)


def difference(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(deltaE_ciede2000(rgb2lab(one), rgb2lab(other)))  # type: ignore[no-untyped-call]


def with_tables() -> bytes:
    """A profile that holds a table in place of curves (8 bits, ICC.1 section 10.11): to Lab, red and blue swapped."""
    grid = 9
    axis = np.linspace(0, 1, grid)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    lab = rgb2lab(np.stack([b, g, r], axis=-1), illuminant="D50")
    coded = np.stack([lab[..., 0] * 2.55, lab[..., 1] + 128, lab[..., 2] + 128], axis=-1)
    identity = bytes(range(256))
    table = b"mft1\0\0\0\0" + bytes([3, 3, grid, 0])
    table += struct.pack(">9i", *(65536 * v for v in (1, 0, 0, 0, 1, 0, 0, 0, 1)))
    table += identity * 3 + np.clip(np.rint(coded), 0, 255).astype(np.uint8).tobytes() + identity * 3
    return profile({b"A2B0": table}, connection=b"Lab ")


def test_a_wide_profile_comes_out_as_near_as_eight_bits_can_be(colours: NDArray[np.uint16]) -> None:
    icc = wide_profile()
    exact = reference(colours, icc)
    found = to_srgb(icc, 3)(colours) / 255
    assert np.abs(found - exact).max() * 255 < 0.6
    assert difference(found, exact).max() < ROUNDED


def test_each_channel_has_its_own_curve(colours: NDArray[np.uint16]) -> None:
    found = shaper(wide_profile())
    assert found is not None
    tags = {
        f"{n}XYZ".encode(): b"XYZ \0\0\0\0" + xyz(c) for n, c in zip("rgb", found.primaries.T, strict=True)
    }
    for name, exponent in zip("rgb", (1.0, 1.8, 2.6), strict=True):
        tags[f"{name}TRC".encode()] = b"para\0\0\0\0\0\0\0\0" + struct.pack(">i", round(exponent * 65536))
    icc = profile(tags)
    assert np.abs(to_srgb(icc, 3)(colours) / 255 - reference(colours, icc)).max() * 255 < 0.6


def xyz(column: NDArray[np.float64]) -> bytes:
    return struct.pack(">3i", *(round(float(value) * 65536) for value in column))


def test_a_profile_with_tables_goes_through_the_library(colours: NDArray[np.uint16]) -> None:
    icc = with_tables()
    assert shaper(icc) is None
    found = difference(to_srgb(icc, 3)(colours) / 255, reference(colours, icc))
    assert found.mean() < 0.6
    assert np.percentile(found, 99) < 2.5  # 8 bits going in, most of it in the shadows


@pytest.mark.parametrize("icc", [None, srgb_profile(), LIBRARY], ids=["none", "ours", "the library's"])
def test_srgb_under_any_name_is_only_rounded(icc: bytes | None, colours: NDArray[np.uint16]) -> None:
    assert to_srgb(icc, 3) is plain
    assert np.array_equal(plain(colours), np.rint(colours / 257))


def test_grey_keeps_its_lightness() -> None:
    ramp = np.arange(0, 65536, 5, dtype=np.uint16).reshape(-1, 1, 1)
    light = (ramp / 65535) ** 1.8
    exact = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    assert np.abs(to_srgb(grey_profile(1.8), 1)(ramp) - exact * 255).max() < 0.6


@pytest.mark.parametrize(
    "icc",
    [b"nothing of the kind", wide_profile()[:200], profile({}), grey_profile(2.2)],
    ids=["text", "cut", "empty", "for grey"],
)
def test_a_profile_that_cannot_be_used_counts_as_srgb(icc: bytes, colours: NDArray[np.uint16]) -> None:
    assert np.array_equal(to_srgb(icc, 3)(colours), plain(colours))


def test_what_a_profile_takes_is_put_together_once() -> None:
    assert to_srgb(wide_profile(), 3) is to_srgb(wide_profile(), 3)
    assert isinstance(to_srgb(wide_profile(), 3), functools.partial)
