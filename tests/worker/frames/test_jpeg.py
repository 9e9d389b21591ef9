"""JPEG: what is accepted and noted, what is refused with its name, and what libjpeg would only warn about."""

from __future__ import annotations

import io
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from nearfar.errors import FrameRefused, WorkFailed
from nearfar.frames.decode import decode, decode_upper, read_header
from tests.worker.frames.makers import Samples, exif_bytes, jpeg_bytes, picture, turned


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    return tmp_path / "frame.jpg"


def by_pillow(data: bytes) -> Samples:
    """Pillow decodes with libjpeg as well, through code of its own."""
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 2}, {"optimize": True}])
def test_pixels_are_those_that_another_reader_sees(frame: Path, options: dict[str, int]) -> None:
    data = jpeg_bytes(picture(), **options)
    frame.write_bytes(data)
    header = read_header(frame)
    assert (header.kind, header.width, header.height) == ("jpeg", 56, 40)
    assert (header.channels, header.bits, header.stored_bits, header.in_parts) == (3, 8, 8, False)
    assert header.notes == ()
    assert np.abs(decode(header).astype(int) - by_pillow(data)).max() <= 1


def test_greyscale_comes_as_three_equal_planes(frame: Path) -> None:
    grey = picture(channels=1)
    frame.write_bytes(jpeg_bytes(grey, quality=100))
    header = read_header(frame)
    pixels = decode(header)
    assert header.channels == 1
    assert pixels.shape == (40, 56, 3)
    assert (pixels == pixels[:, :, :1]).all()
    assert np.abs(pixels[:, :, 0].astype(int) - grey[:, :, 0]).max() <= 2


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_applied_once(frame: Path, orientation: int) -> None:
    upright = picture()
    frame.write_bytes(
        jpeg_bytes(turned(upright, orientation), quality=100, exif=exif_bytes(t274=orientation))
    )
    header = read_header(frame)
    assert (header.orientation, header.width, header.height) == (orientation, 56, 40)
    assert np.abs(decode(header).astype(int) - upright).max() <= 6


def test_a_senseless_orientation_is_noted_and_ignored(frame: Path) -> None:
    frame.write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t274=13)))
    header = read_header(frame)
    assert header.orientation == 1
    assert header.notes == ("the stored orientation makes no sense and is ignored",)


def test_a_profile_in_several_segments_is_put_together(frame: Path) -> None:
    small = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    large = small + bytes(range(256)) * 600
    for profile in (small, large):
        frame.write_bytes(jpeg_bytes(picture(), icc_profile=profile))
        assert read_header(frame).icc == profile


def test_a_profile_that_lacks_a_part_is_left_out_with_a_note(frame: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = jpeg_bytes(picture(), icc_profile=profile + bytes(100_000))
    at = data.index(b"ICC_PROFILE\0\2\2") - 4
    size = 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    frame.write_bytes(data[:at] + data[at + size :])
    header = read_header(frame)
    assert header.icc is None
    assert header.notes == ("the colour profile is damaged and left out",)


def test_the_first_of_several_pictures_is_taken(frame: Path) -> None:
    first, second = (Image.fromarray(picture(seed=seed)) for seed in (1, 2))
    first.save(frame, "MPO", save_all=True, append_images=[second], quality=95)
    header = read_header(frame)
    assert header.notes == ("the first of 2 pictures in the file is used",)
    assert np.abs(decode(header).astype(int) - picture(seed=1)).max() < 40


def test_bytes_after_the_end_do_no_harm(frame: Path) -> None:
    frame.write_bytes(jpeg_bytes(picture()) + b"maker's own trailer" * 20)
    assert decode(read_header(frame)).shape == (40, 56, 3)


@pytest.mark.parametrize("padding", [2, 3, 46, 1000])
def test_padding_before_the_end_marker_is_noted_and_accepted(frame: Path, padding: int) -> None:
    data = jpeg_bytes(picture())
    frame.write_bytes(data[:-2] + bytes(padding) + data[-2:])
    header = read_header(frame)
    assert header.notes == ("padding bytes before a marker were passed over",)
    assert np.array_equal(decode(header), by_pillow(data))


def test_padding_between_segments_is_noted_and_accepted(frame: Path) -> None:
    data = jpeg_bytes(picture())
    frame.write_bytes(data[:20] + bytes(7) + data[20:])
    header = read_header(frame)
    assert header.notes == ("padding bytes before a marker were passed over",)
    assert np.array_equal(decode(header), by_pillow(data))


def test_left_over_data_before_the_end_marker_is_damage(frame: Path) -> None:
    data = jpeg_bytes(picture())
    frame.write_bytes(data[:-2] + b"\x12\x34\x56\x78" * 4 + data[-2:])
    with pytest.raises(FrameRefused, match="extraneous bytes before marker"):
        decode(read_header(frame))


def test_stray_bytes_between_segments_are_damage(frame: Path) -> None:
    data = jpeg_bytes(picture())
    frame.write_bytes(data[:20] + b"stray" + data[20:])
    with pytest.raises(FrameRefused, match="no marker at byte 20"):
        read_header(frame)


def test_missing_data_before_the_end_marker_is_damage(frame: Path) -> None:
    data = jpeg_bytes(picture())
    frame.write_bytes(data[: len(data) * 2 // 3] + b"\xff\xd9")
    with pytest.raises(FrameRefused, match="picture data ends early"):
        decode(read_header(frame))


def test_a_progressive_picture_that_lacks_scans_is_damage(frame: Path) -> None:
    """libjpeg shows such a picture blurred and says nothing."""
    data = jpeg_bytes(picture(), progressive=True)
    scans = [at for at in range(len(data) - 1) if data[at : at + 2] == b"\xff\xda"]
    frame.write_bytes(data[: scans[-1]] + b"\xff\xd9")
    assert by_pillow(frame.read_bytes()).shape == (40, 56, 3)
    with pytest.raises(FrameRefused, match="scans are missing"):
        decode(read_header(frame))


def _cmyk(transform: int) -> bytes:
    """Four inks by Pillow; the Adobe segment's last byte says whether they are coded as YCCK."""
    buffer = io.BytesIO()
    Image.fromarray(picture(channels=4), "CMYK").save(buffer, "JPEG")
    data = bytearray(buffer.getvalue())
    at = data.find(b"Adobe")
    if at < 0:
        return (
            bytes(data[:2]) + b"\xff\xee\x00\x0eAdobe\x00\x64\0\0\0\0" + bytes([transform]) + bytes(data[2:])
        )
    data[at + 11] = transform
    return bytes(data)


def _with_coding(marker: int, precision: int = 8) -> bytes:
    data = bytearray(jpeg_bytes(picture()))
    at = data.index(b"\xff\xc0")
    data[at + 1] = marker
    data[at + 4] = precision
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (_cmyk(0), r"CMYK colour \(4 inks\)"),
        (_cmyk(2), r"YCCK colour \(4 inks\)"),
        (_with_coding(0xC1, 12), "JPEG of 12 bits"),
        (_with_coding(0xC9), "arithmetic-coded JPEG"),
        (_with_coding(0xC5), "hierarchical JPEG"),
        (imagecodecs.ljpeg_encode(picture(channels=1, dtype=np.uint16)[:, :, 0]), "lossless JPEG"),
    ],
    ids=["cmyk", "ycck", "12 bit", "arithmetic", "hierarchical", "lossless"],
)
def test_other_codings_are_refused_by_name(frame: Path, data: bytes, found: str) -> None:
    frame.write_bytes(data)
    with pytest.raises(FrameRefused, match=f"found {found}; expected baseline or progressive JPEG"):
        read_header(frame)


@pytest.mark.parametrize("orientation", [1, 6])
def test_pixels_go_into_the_array_that_is_given(frame: Path, orientation: int) -> None:
    frame.write_bytes(jpeg_bytes(turned(picture(), orientation), exif=exif_bytes(t274=orientation)))
    header = read_header(frame)
    out = np.zeros((40, 56, 3), np.uint8)
    assert decode(header, out) is out
    assert np.array_equal(out, decode(header))


def test_an_array_of_the_wrong_shape_is_not_written_to(frame: Path) -> None:
    frame.write_bytes(jpeg_bytes(picture()))
    with pytest.raises(WorkFailed, match="the array for the pixels"):
        decode(read_header(frame), np.zeros((56, 40, 3), np.uint8))


def test_junk_in_the_exif_segment_does_not_stop_a_file(frame: Path) -> None:
    data = jpeg_bytes(picture())
    junk = b"Exif\0\0II*\0\xff\xff\xff\x00junk"
    frame.write_bytes(data[:2] + b"\xff\xe1" + (len(junk) + 2).to_bytes(2, "big") + junk + data[2:])
    header = read_header(frame)
    assert header.camera.make is None
    assert decode(header).shape == (40, 56, 3)


@pytest.mark.parametrize("bottom", [1, 95, 96, 200, 349, 350])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(
    "options",
    [{}, {"subsampling": 1}, {"subsampling": 2}, {"restart_marker_blocks": 3}, {"progressive": True}],
)
def test_the_upper_part_has_the_pixels_of_the_whole(
    frame: Path, options: dict[str, int], channels: int, bottom: int
) -> None:
    coarse = np.random.default_rng(3).integers(0, 256, (70, 26, channels), np.uint8)
    frame.write_bytes(jpeg_bytes(coarse.repeat(5, 0).repeat(5, 1), **options))
    header = read_header(frame)
    upper = decode_upper(header, bottom)
    assert len(upper) >= bottom
    assert (upper[:bottom] == decode(header)[:bottom]).all()
    assert (len(upper) < 350) == (bottom <= 200 and "progressive" not in options)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_upper_part_of_a_turned_frame_is_upright(frame: Path, orientation: int) -> None:
    frame.write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t274=orientation)))
    header = read_header(frame)
    assert (decode_upper(header, 5)[:5] == decode(header)[:5]).all()
