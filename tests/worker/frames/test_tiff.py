"""TIFF: every layout is read exactly, whatever lacks a strip is refused, other kinds are refused by name."""

from __future__ import annotations

import logging
import struct
from itertools import product
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, read_header
from nearfar.frames.windows import map_plain
from tests.worker.frames.makers import Samples, picture, turned, write_tiff

CODINGS = [None, "lzw", "adobe_deflate", "zlib", "zstd", "packbits"]
LAYOUTS: dict[str, dict[str, Any]] = {
    "strips": {"rowsperstrip": 7},
    "one strip": {"rowsperstrip": 40},
    "tiles": {"tile": (16, 32)},
}


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    return tmp_path / "frame.tif"


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("order", ["<", ">"])
def test_layout_coding_and_byte_order_do_not_matter(
    frame: Path, layout: str, coding: str | None, order: str
) -> None:
    for dtype, channels, planar, big in product((np.uint8, np.uint16), (1, 3), (False, True), (False, True)):
        if coding == "packbits" and dtype == np.uint16:
            continue
        if channels == 1 and planar:
            continue
        array = picture(dtype=dtype, channels=channels)
        options = LAYOUTS[layout] | {"compression": coding, "byteorder": order, "bigtiff": big}
        write_tiff(frame, array, **options, **({"planarconfig": "separate"} if planar else {}))
        header = read_header(frame)
        assert (header.kind, header.width, header.height) == ("tiff", 56, 40)
        assert (header.channels, header.bits) == (channels, 8 * array.itemsize)
        assert header.notes == ()
        expected = np.repeat(array, 3, axis=2) if channels == 1 else array
        pixels = decode(header)
        assert pixels.flags.c_contiguous
        assert np.array_equal(pixels, expected)


@pytest.mark.parametrize("coding", ["lzw", "adobe_deflate", "zstd"])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_horizontal_differences_are_undone(frame: Path, coding: str, order: str, layout: str) -> None:
    for dtype, separate in product((np.uint8, np.uint16), (False, True)):
        array = picture(dtype=dtype)
        options = LAYOUTS[layout] | {"compression": coding, "byteorder": order, "predictor": 2}
        write_tiff(frame, array, **options, **({"planarconfig": "separate"} if separate else {}))
        assert np.array_equal(decode(read_header(frame)), array)


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
@pytest.mark.parametrize("predictor", [None, 3])
@pytest.mark.parametrize("order", ["<", ">"])
def test_floating_point_is_read_as_16_bit(
    frame: Path, dtype: type, predictor: int | None, order: str
) -> None:
    array = picture(dtype=dtype)
    coding = {"compression": "adobe_deflate", "predictor": predictor} if predictor else {}
    write_tiff(frame, array, byteorder=order, rowsperstrip=9, **coding)
    header = read_header(frame)
    assert (header.bits, header.stored_bits) == (16, 8 * array.itemsize)
    assert any("floating-point" in note for note in header.notes)
    assert header.plain is None
    expected = np.rint(array.astype(np.float64) * 65535)
    assert np.abs(decode(header).astype(np.float64) - expected).max() <= (0 if dtype != np.float16 else 1)


def test_values_a_little_outside_are_clipped(frame: Path) -> None:
    array = picture(dtype=np.float32)
    array[0, 0] = (-0.02, 1.04, 0.5)
    write_tiff(frame, array)
    assert decode(read_header(frame))[0, 0].tolist() == [0, 65535, 32768]


@pytest.mark.parametrize(
    ("value", "found"),
    [
        (np.nan, "floating-point samples that are not numbers"),
        (np.inf, "floating-point samples that are not numbers"),
        (255.0, "floating-point samples from .* to 255"),
        (-3.0, "floating-point samples from -3 to"),
    ],
)
def test_floats_that_are_no_picture_are_refused(frame: Path, value: float, found: str) -> None:
    array = picture(dtype=np.float32)
    array[33, 5, 1] = value
    write_tiff(frame, array, rowsperstrip=8)
    with pytest.raises(FrameRefused, match=f"{found}.*; expected values from 0 to 1"):
        decode(read_header(frame))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("coding", [None, "adobe_deflate"])
def test_every_orientation_is_applied_once(frame: Path, orientation: int, coding: str | None) -> None:
    upright = picture(dtype=np.uint16)
    tags = [(274, 3, 1, orientation, True)]
    write_tiff(frame, turned(upright, orientation), compression=coding, rowsperstrip=8, extratags=tags)
    header = read_header(frame)
    assert (header.orientation, header.width, header.height) == (orientation, 56, 40)
    assert np.array_equal(decode(header), upright)
    out = np.zeros_like(upright)
    assert decode(header, out) is out
    assert np.array_equal(out, upright)


def test_transparency_and_further_channels_are_left_alone(frame: Path) -> None:
    for channels, extra in ((4, ["unassalpha"]), (5, ["unspecified", "unspecified"])):
        array = picture(channels=channels, dtype=np.uint16)
        for separate in ({}, {"planarconfig": "separate"}):
            write_tiff(frame, array, photometric="rgb", extrasamples=extra, **separate)
            header = read_header(frame)
            assert "left alone" in header.notes[0]
            assert np.array_equal(decode(header), array[:, :, :3])
            assert np.array_equal(map_plain(header), array[:, :, :3])


def test_the_first_page_that_is_not_reduced_is_taken(frame: Path) -> None:
    array = picture(dtype=np.uint16)
    with tifffile.TiffWriter(frame) as writer:
        writer.write(array[::4, ::4], photometric="rgb", subfiletype=1, metadata=None)
        writer.write(array, photometric="rgb", metadata=None)
        writer.write(array[:-1], photometric="rgb", metadata=None)
    header = read_header(frame)
    assert header.notes == ("the first of 2 pages is used",)
    assert np.array_equal(decode(header), array)


def test_a_whole_stack_in_one_file_is_refused_and_not_taken_for_its_first_frame(frame: Path) -> None:
    with tifffile.TiffWriter(frame) as writer:
        for seed in range(3):
            writer.write(picture(seed=seed), photometric="rgb", metadata=None)
    with pytest.raises(FrameRefused, match="found 3 pages of one size; expected one frame in each file"):
        read_header(frame)


def test_white_as_zero_is_turned_over(frame: Path) -> None:
    array = picture(channels=1, dtype=np.uint16)
    write_tiff(frame, array, photometric="miniswhite")
    header = read_header(frame)
    assert header.plain is None
    assert np.array_equal(decode(header)[:, :, 0], 65535 - array[:, :, 0])


def test_the_profile_is_kept_byte_for_byte(frame: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    write_tiff(frame, picture(), iccprofile=profile)
    assert read_header(frame).icc == profile


def _lab(path: Path) -> None:
    tifffile.imwrite(path, picture(), photometric="cielab", metadata=None)


def _signed(path: Path) -> None:
    tifffile.imwrite(path, picture().astype(np.int16), photometric="rgb", metadata=None)


def _wide(path: Path) -> None:
    tifffile.imwrite(path, picture().astype(np.uint32), photometric="rgb", metadata=None)


def _cmyk(path: Path) -> None:
    tifffile.imwrite(path, picture(channels=4), photometric="separated", metadata=None)


def _jpeg_inside(path: Path) -> None:
    tifffile.imwrite(path, picture(), photometric="rgb", compression="jpeg", metadata=None)


def _sensor(path: Path) -> None:
    tifffile.imwrite(path, picture(channels=1)[:, :, 0], photometric=32803, metadata=None)


@pytest.mark.parametrize(
    ("write", "found"),
    [
        (_cmyk, "CMYK or other ink colour"),
        (lambda path: Image.fromarray(picture()).convert("P").save(path), "palette colour"),
        (lambda path: Image.fromarray(picture()).convert("1").save(path), "1-bit unsigned integer samples"),
        (_lab, "Lab colour"),
        (_signed, "16-bit signed integer samples"),
        (_wide, "32-bit unsigned integer samples"),
        (_jpeg_inside, "TIFF with JPEG compression"),
        (_sensor, "undeveloped sensor data"),
    ],
    ids=["cmyk", "palette", "one bit", "lab", "signed", "32 bit", "jpeg inside", "sensor"],
)
def test_other_kinds_are_refused_by_name(frame: Path, write: Any, found: str) -> None:
    write(frame)
    with pytest.raises(FrameRefused, match=f"found {found}; expected .*Export the frame again"):
        read_header(frame)


def _patched(frame: Path, tag: int, index: int, value: int, **options: Any) -> None:
    """Write a frame, then overwrite one entry of one of its 32-bit tables."""
    write_tiff(frame, picture(dtype=np.uint16), rowsperstrip=8, **options)
    with tifffile.TiffFile(frame) as file:
        found = file.pages.first.tags[tag]
        at, size = found.valueoffset, {3: 2, 4: 4}[found.dtype]
    data = bytearray(frame.read_bytes())
    data[at + size * index : at + size * (index + 1)] = value.to_bytes(size, "little")
    frame.write_bytes(data)


@pytest.mark.parametrize("coding", [None, "lzw", "adobe_deflate", "zstd"])
def test_a_strip_without_data_is_found(frame: Path, coding: str | None) -> None:
    """Lenient readers give such strips back as black."""
    _patched(frame, 279, 2, 0, compression=coding)
    with pytest.raises(FrameRefused, match="strip or tile 2 of 5 is missing"):
        read_header(frame)


def test_a_strip_without_a_place_is_found(frame: Path) -> None:
    _patched(frame, 273, 1, 0)
    with pytest.raises(FrameRefused, match="strip or tile 1 of 5 is missing"):
        read_header(frame)


def test_a_strip_beyond_the_end_is_found(frame: Path) -> None:
    _patched(frame, 273, 4, 1_000_000, compression="lzw")
    with pytest.raises(FrameRefused, match="ends early, after .*expected at least 10"):
        read_header(frame)


@pytest.mark.parametrize("coding", [None, "lzw", "zstd", "adobe_deflate"])
def test_a_short_strip_is_found(frame: Path, coding: str | None) -> None:
    _patched(frame, 279, 1, 300, compression=coding)
    with pytest.raises(FrameRefused, match="strip or tile 1"):
        decode(read_header(frame))


def test_a_strip_that_unpacks_to_too_little_is_found(frame: Path) -> None:
    write_tiff(frame, picture(dtype=np.uint16), rowsperstrip=8, compression="lzw")
    with tifffile.TiffFile(frame) as file:
        offset, room = file.pages.first.dataoffsets[3], file.pages.first.databytecounts[3]
    short = imagecodecs.lzw_encode(bytes(100))
    data = bytearray(frame.read_bytes())
    data[offset : offset + room] = short.ljust(room, b"\0")
    frame.write_bytes(data)
    with pytest.raises(FrameRefused, match="strip or tile 3"):
        decode(read_header(frame))


def test_flipped_bytes_in_deflate_data_are_found(frame: Path) -> None:
    write_tiff(frame, picture(dtype=np.uint16), rowsperstrip=8, compression="adobe_deflate")
    with tifffile.TiffFile(frame) as file:
        offset = file.pages.first.dataoffsets[2]
    data = bytearray(frame.read_bytes())
    data[offset + 200] ^= 0x10
    frame.write_bytes(data)
    with pytest.raises(FrameRefused, match="strip or tile 2 cannot be unpacked") as caught:
        decode(read_header(frame))
    assert isinstance(caught.value.__cause__, RuntimeError)


def test_a_last_strip_that_is_filled_up_is_read(frame: Path) -> None:
    """Some writers store the last strip at full height; TIFF 6.0 does not ask for it, readers cope."""
    array = picture(height=10, width=20)
    rows = [array[:8].tobytes(), array[8:].tobytes() + bytes(6 * 60)]
    strips = [imagecodecs.deflate_encode(row) for row in rows]
    offsets = [8, 8 + len(strips[0])]
    values = {256: 20, 257: 10, 258: 8, 259: 8, 262: 2, 277: 3, 278: 8}
    at = offsets[1] + len(strips[1])
    at += at % 2
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in sorted(values.items()))
    count = len(values) + 2
    behind = at + 2 + 12 * count + 4
    tables = {273: (behind, offsets), 279: (behind + 8, [len(strip) for strip in strips])}
    rest = {tag: struct.pack("<HHII", tag, 4, 2, place) for tag, (place, _) in tables.items()}
    lines = sorted([entries[i : i + 12] for i in range(0, len(entries), 12)] + list(rest.values()), key=_tag)
    body = b"II*\0" + struct.pack("<I", at) + strips[0] + strips[1]
    body = body.ljust(at, b"\0") + struct.pack("<H", count) + b"".join(lines) + bytes(4)
    frame.write_bytes(body + b"".join(struct.pack("<II", *numbers) for _, numbers in tables.values()))
    assert np.array_equal(decode(read_header(frame)), array)


def _tag(entry: bytes) -> int:
    return int.from_bytes(entry[:2], "little")


def test_directories_that_point_at_each_other_end(frame: Path) -> None:
    array = picture()
    write_tiff(frame, array)
    data = bytearray(frame.read_bytes())
    first = int.from_bytes(data[4:8], "little")
    count = int.from_bytes(data[first : first + 2], "little")
    data[first + 2 + 12 * count : first + 6 + 12 * count] = first.to_bytes(4, "little")
    frame.write_bytes(data)
    assert np.array_equal(decode(read_header(frame)), array)


@pytest.mark.parametrize(
    ("options", "plain"),
    [
        ({}, True),
        ({"rowsperstrip": 3}, True),
        ({"planarconfig": "separate"}, True),
        ({"bigtiff": True}, True),
        ({"byteorder": ">"}, False),
        ({"compression": "lzw"}, False),
        ({"tile": (16, 16)}, False),
        ({"extratags": [(274, 3, 1, 3, True)]}, False),
    ],
    ids=str,
)
def test_only_plain_bytes_are_mapped(frame: Path, options: dict[str, Any], plain: bool) -> None:
    array: Samples = picture(dtype=np.uint16, height=150)
    write_tiff(frame, array, **options)
    header = read_header(frame)
    assert (header.plain is not None) == plain
    if plain:
        mapped = map_plain(header)
        assert not mapped.flags.writeable
        assert np.array_equal(mapped, array)


def test_mapped_greyscale_has_three_equal_planes(frame: Path) -> None:
    array = picture(channels=1, dtype=np.uint16)
    write_tiff(frame, array)
    assert np.array_equal(map_plain(read_header(frame)), np.repeat(array, 3, axis=2))


def test_nothing_is_logged(
    frame: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    _patched(frame, 279, 2, 0)
    with pytest.raises(FrameRefused):
        read_header(frame)
    assert caplog.records == []
    assert capfd.readouterr() == ("", "")
