"""Tone curves against LittleCMS (through Pillow), names, and what makes two profiles one."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from nearfar.frames.colour import (
    UNTAGGED,
    light_table,
    profile_name,
    profiles_equal,
    srgb_profile,
)

SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(value * 65536) for value in values))


def curv(*samples: int) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(f">I{len(samples)}H", len(samples), *samples)


def para(form: int, *values: float) -> bytes:
    return b"para\0\0\0\0" + struct.pack(">HH", form, 0) + fixed(*values)


def with_curve(curve: bytes, *, grey: bool = False, version: int = 0x04300000) -> bytes:
    """A matrix (or grey) profile around one curve, put together after ICC.1, section 7."""
    tags = {b"wtpt": b"XYZ \0\0\0\0" + fixed(0.9642, 1.0, 0.8249)}
    if grey:
        tags[b"kTRC"] = curve
    else:
        tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)
        tags[b"rXYZ"] = b"XYZ \0\0\0\0" + fixed(0.4361, 0.2225, 0.0139)
        tags[b"gXYZ"] = b"XYZ \0\0\0\0" + fixed(0.3851, 0.7169, 0.0971)
        tags[b"bXYZ"] = b"XYZ \0\0\0\0" + fixed(0.1431, 0.0606, 0.7141)
    name = b"desc\0\0\0\0" + struct.pack(">I", 10) + b"Test tone\0" + bytes(79)
    unicode = "Test tone".encode("utf-16-be")
    named = b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(unicode), 28) + unicode
    tags[b"desc"] = named if version >= 0x04000000 else name
    at, table, body = 132 + 12 * len(tags), b"", b""
    for signature, value in tags.items():
        table += struct.pack(">4sII", signature, at + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    space = b"GRAY" if grey else b"RGB "
    head = struct.pack(">I4xI4s4s4s", at + len(body), version, b"mntr", space, b"XYZ ")
    head += struct.pack(">6H", 2031, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + fixed(0.9642, 1.0, 0.8249)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


LINEAR = with_curve(curv())
CURVES = {
    "linear": curv(),
    "gamma 2.2": curv(563),
    "gamma 1.8": curv(461),
    "table": curv(*(round(65535 * (i / 255) ** 2.6) for i in range(256))),
    "short table": curv(0, 3000, 20000, 65535),
    "formula 0": para(0, 2.2),
    "formula 1": para(1, 2.4, 1 / 1.1, 0.1 / 1.1),
    "formula 2": para(2, 2.0, 0.9, 0.05, 0.04),
    "formula 3": para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
    "formula 4": para(4, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0),
}


def by_littlecms(icc: bytes) -> np.ndarray:
    """Linear light of the 256 neutral values, by LittleCMS with 8-bit output."""
    source, target = (ImageCms.ImageCmsProfile(io.BytesIO(data)) for data in (icc, LINEAR))
    greys = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    done = ImageCms.profileToProfile(
        Image.fromarray(greys), source, target, ImageCms.Intent.RELATIVE_COLORIMETRIC, outputMode="RGB"
    )
    return np.asarray(done)[0, :, 1].astype(float)


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("version", [0x02400000, 0x04300000])
def test_curves_are_what_littlecms_makes_of_them(name: str, version: int) -> None:
    icc = with_curve(CURVES[name], version=version)
    assert np.abs(light_table(icc, 8) * 255 - by_littlecms(icc)).max() <= 1.0


def test_a_grey_profile_gives_its_curve() -> None:
    table = light_table(with_curve(curv(563), grey=True), 8)
    assert table[128] == pytest.approx((128 / 255) ** (563 / 256), abs=1e-6)


@pytest.mark.parametrize("icc", [None, SRGB, srgb_profile()])
def test_srgb_is_srgb_with_a_profile_or_without(icc: bytes | None) -> None:
    """Values after the formula of IEC 61966-2-1: 0.5 encoded is 0.21404 linear, 10/255 is 0.0030353."""
    table = light_table(icc, 16)
    assert table.shape == (65536,)
    assert table.dtype == np.float32
    assert float(np.interp(0.5, np.linspace(0, 1, 65536), table)) == pytest.approx(0.21404, abs=1e-4)
    assert float(light_table(icc, 8)[10]) == pytest.approx(0.0030353, abs=2e-5)
    assert (table[0], table[-1]) == (0.0, pytest.approx(1.0, abs=1e-4))
    assert (np.diff(table) >= 0).all()


def test_our_srgb_profile_means_what_littlecms_calls_srgb() -> None:
    array = np.random.default_rng(5).integers(0, 256, (64, 64, 3)).astype(np.uint8)
    ours, theirs = (ImageCms.ImageCmsProfile(io.BytesIO(data)) for data in (srgb_profile(), SRGB))
    done = ImageCms.profileToProfile(Image.fromarray(array), ours, theirs)
    assert np.abs(np.asarray(done).astype(int) - array).max() <= 1


@pytest.mark.parametrize(
    "icc",
    [
        b"junk",
        SRGB[:200],
        with_curve(curv(65535, 0)),
        with_curve(para(0, float("0"))),
        with_curve(para(4, 1.0)),
        with_curve(b"curv\0\0\0\0\xff\xff\xff\xff"),
        with_curve(b"mft2" + bytes(100)),
    ],
    ids=["no profile", "cut", "falling", "flat", "short formula", "short table", "tables instead of a curve"],
)
def test_what_is_no_curve_counts_as_srgb(icc: bytes) -> None:
    assert np.array_equal(light_table(icc, 8), light_table(None, 8))


def test_a_table_cannot_be_written_to() -> None:
    with pytest.raises(ValueError, match="read-only"):
        light_table(None, 8)[0] = 1


def test_profiles_are_named() -> None:
    assert profile_name(None) == UNTAGGED
    assert profile_name(with_curve(curv(), version=0x02400000)) == "Test tone"
    assert profile_name(with_curve(curv())) == "Test tone"
    assert "sRGB" in profile_name(SRGB)
    assert profile_name(b"junk") == "an unnamed colour profile of 4 bytes"


def test_the_date_of_making_does_not_make_a_profile_another() -> None:
    one = with_curve(curv(563))
    later = one[:24] + struct.pack(">6H", 2032, 2, 2, 0, 0, 0) + one[36:]
    assert profiles_equal(one, later)
    assert not profiles_equal(one, with_curve(curv(461)))
    assert not profiles_equal(one, None)
    assert profiles_equal(None, None)
