"""Camera raw through LibRaw, on DNG files that the tests make: an equal development, upright once, refused when cut."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import FrameRefused
from nearfar.frames import raw
from nearfar.frames.camera import camera_data
from nearfar.frames.colour import profile_name
from nearfar.frames.decode import decode, read_header
from nearfar.frames.source import opened
from tests.worker.frames.makers import exif_bytes, write_dng


def test_a_dng_is_developed_to_16_bit_srgb(tmp_path: Path) -> None:
    header = read_header(write_dng(tmp_path / "frame.dng"))
    assert (header.kind, header.width, header.height, header.channels) == ("raw", 128, 96, 3)
    assert (header.bits, header.stored_bits, header.in_parts) == (16, 14, False)
    assert profile_name(header.icc) == "sRGB"
    assert (header.camera.make, header.camera.model) == ("Nordlys", "Field One")
    assert any("white balance" in note for note in header.notes)
    pixels = decode(header)
    assert pixels.shape == (96, 128, 3)
    assert pixels.dtype == np.uint16


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_is_applied_once(tmp_path: Path, orientation: int) -> None:
    flat = decode(read_header(write_dng(tmp_path / "flat.dng")))
    header = read_header(write_dng(tmp_path / "turned.dng", orientation=orientation))
    assert header.orientation == orientation
    assert (header.width, header.height) == ((96, 128) if orientation >= 5 else (128, 96))
    expected = np.rot90(flat, {1: 0, 3: 2, 6: -1, 8: 1}[orientation])
    assert np.array_equal(decode(header), expected)


def test_brightness_does_not_depend_on_the_rest_of_the_picture(tmp_path: Path) -> None:
    """With automatic brightness or an adapted white level, a bright spot would darken everything else."""
    path = write_dng(tmp_path / "frame.dng")
    plain = decode(read_header(path))
    data = bytearray(path.read_bytes())
    data[-2 * 128 * 8 :] = (16000).to_bytes(2, "little") * (128 * 8)
    path.write_bytes(data)
    assert np.array_equal(decode(read_header(path))[:70], plain[:70])


def test_the_white_balance_that_was_used_is_told(tmp_path: Path) -> None:
    """AsShotNeutral (DNG 1.4) is what grey has in each channel: the factors are its inverse."""
    even = read_header(write_dng(tmp_path / "even.dng"))
    warm = read_header(write_dng(tmp_path / "warm.dng", neutral=(4, 5, 1, 1, 2, 5)))
    assert even.notes[0].endswith("(red 2.000, blue 2.000)")
    assert warm.notes[0].endswith("(red 1.250, blue 2.500)")


def test_the_same_light_becomes_the_same_pixels_whatever_else_is_in_the_frame(tmp_path: Path) -> None:
    """Clipped highlights and deep shadows of other frames move neither black level nor white level."""
    sensor = np.full((96, 128), 4000, np.uint16)
    plain = decode(read_header(write_dng(tmp_path / "plain.dng", sensor=sensor)))
    for name, value in (("bright", 16383), ("dark", 64)):
        other = sensor.copy()
        other[:, 96:] = value
        seen = decode(read_header(write_dng(tmp_path / f"{name}.dng", sensor=other)))
        assert np.array_equal(seen[:, :80], plain[:, :80])


def test_a_file_cut_short_is_refused_without_a_word_on_the_terminal(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = write_dng(tmp_path / "frame.dng")
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(FrameRefused, match="ends early"):
        read_header(path)
    assert capfd.readouterr() == ("", "")


def _box(name: bytes, contents: bytes) -> bytes:
    return (8 + len(contents)).to_bytes(4, "big") + name + contents


def test_camera_data_in_boxes_are_found(tmp_path: Path) -> None:
    """The nesting of boxes is laid out from memory; no public sample lies beside the tests."""
    image, exif = exif_bytes(t271="Nordlys", t274=8)[6:], exif_bytes(t42036="Nordlys 60 mm")[6:]
    inner = _box(b"CNCV", b"x" * 9) + _box(b"CMT1", image) + _box(b"CMT2", exif)
    path = tmp_path / "frame.cr3"
    path.write_bytes(_box(b"ftyp", b"crx \0\0\0\1") + _box(b"moov", _box(b"uuid", bytes(16) + inner)))
    with opened(path) as file:
        assert raw.looks_raw(file, file.peek(0, 32))
        found = camera_data(raw.exif_of(file))
    assert (found.make, found.lens) == ("Nordlys", "Nordlys 60 mm")
    path.write_bytes(path.read_bytes()[:-20])
    with opened(path) as file:
        assert camera_data(raw.exif_of(file)).make is None


def test_what_libraw_cannot_read_is_refused_with_its_reason(tmp_path: Path) -> None:
    path = tmp_path / "frame.raf"
    path.write_bytes(b"FUJIFILMCCD-RAW " + bytes(4000))
    with pytest.raises(FrameRefused, match="a raw file that cannot be read") as caught:
        read_header(path)
    assert caught.value.__cause__ is not None
