"""PNG: every accepted kind, checksums, data that end early, and chunks that must not matter."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, read_header
from tests.worker.frames.makers import chunk, exif_bytes, picture, png_bytes, turned

PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    return tmp_path / "frame.png"


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 2, 3, 4])
def test_every_accepted_kind_is_read_exactly(frame: Path, dtype: type, channels: int) -> None:
    array = picture(channels=channels, dtype=dtype)
    frame.write_bytes(png_bytes(array))
    header = read_header(frame)
    colours = 3 if channels >= 3 else 1
    assert (header.kind, header.channels, header.bits) == ("png", colours, 8 * array.itemsize)
    assert header.notes == (("transparency is left alone",) if channels in (2, 4) else ())
    expected = np.repeat(array[:, :, :1], 3, axis=2) if colours == 1 else array[:, :, :3]
    assert np.array_equal(decode(header), expected)
    out = np.zeros_like(expected, order="C")
    assert np.array_equal(decode(header, out), expected)


def test_filters_and_interlacing_are_undone(frame: Path) -> None:
    array = picture(height=61, width=43)
    Image.fromarray(array).save(frame, optimize=True)
    assert np.array_equal(decode(read_header(frame)), array)


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_exif_chunk_counts_before_and_after_the_data(frame: Path, orientation: int, late: bool) -> None:
    exif = chunk(b"eXIf", exif_bytes(t274=orientation, t271="Nordlys")[6:])
    upright = picture(dtype=np.uint16)
    frame.write_bytes(
        png_bytes(turned(upright, orientation), extra=b"" if late else exif, late=exif if late else b"")
    )
    header = read_header(frame)
    assert header.camera.make == "Nordlys"
    assert (header.orientation, header.width, header.height) == (orientation, 56, 40)
    assert np.array_equal(decode(header), upright)


def test_the_profile_is_kept_byte_for_byte(frame: Path) -> None:
    frame.write_bytes(png_bytes(picture(), extra=chunk(b"iCCP", b"some name\0\0" + zlib.compress(PROFILE))))
    assert read_header(frame).icc == PROFILE


def test_a_transparent_colour_is_left_alone(frame: Path) -> None:
    array = picture()
    frame.write_bytes(png_bytes(array, extra=chunk(b"tRNS", struct.pack(">HHH", *array[0, 0]))))
    header = read_header(frame)
    assert header.notes == ("transparency is left alone",)
    assert np.array_equal(decode(header), array)


def _by_pillow(mode: str) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(picture()).convert(mode).save(buffer, "PNG")
    return buffer.getvalue()


@pytest.mark.parametrize(("mode", "found"), [("P", "palette colour"), ("1", "1-bit samples")])
def test_other_kinds_are_refused_by_name(frame: Path, mode: str, found: str) -> None:
    frame.write_bytes(_by_pillow(mode))
    with pytest.raises(FrameRefused, match=f"found {found}; expected 8- or 16-bit RGB or greyscale PNG"):
        read_header(frame)


@pytest.mark.parametrize("name", [b"IHDR", b"IDAT", b"iCCP"])
def test_a_flipped_bit_is_found_by_the_checksum(frame: Path, name: bytes) -> None:
    data = bytearray(png_bytes(picture(), extra=chunk(b"iCCP", b"x\0\0" + zlib.compress(PROFILE))))
    data[data.index(name) + 9] ^= 4
    frame.write_bytes(data)
    with pytest.raises(FrameRefused, match=f"chunk {name.decode()} at byte .* does not match its checksum"):
        decode(read_header(frame))


@pytest.mark.parametrize(
    "data",
    [
        zlib.compress(bytes(169 * 20)),
        zlib.compress(np.random.default_rng(1).bytes(169 * 40))[:3000],
        zlib.compress(bytes(169 * 40))[:-1] + b"x",
        b"not deflate at all",
    ],
    ids=["rows missing", "stream cut", "wrong sum", "junk"],
)
def test_data_that_are_wrong_inside_a_right_chunk_are_found(frame: Path, data: bytes) -> None:
    frame.write_bytes(png_bytes(picture(), data=data))
    with pytest.raises(FrameRefused, match="damaged data"):
        decode(read_header(frame))


def test_a_file_without_an_end_chunk_is_cut_short(frame: Path) -> None:
    frame.write_bytes(png_bytes(picture())[:-12])
    with pytest.raises(FrameRefused, match="ends early"):
        read_header(frame)


def test_a_strange_chunk_says_nothing_on_the_terminal(frame: Path, capfd: pytest.CaptureFixture[str]) -> None:
    extra = chunk(b"gAMA", b"\0") + chunk(b"sRGB", b"\x09") + chunk(b"prVt", b"own data")
    frame.write_bytes(png_bytes(picture(), extra=extra))
    assert np.array_equal(decode(read_header(frame)), picture())
    assert capfd.readouterr() == ("", "")
