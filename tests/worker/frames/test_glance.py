"""A quick look at a file: size, camera data, and where the small pictures in it lie."""

from __future__ import annotations

import io
import struct
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from nearfar.errors import FrameRefused
from nearfar.frames.decode import read_header
from nearfar.frames.glance import glance
from tests.scenes import card, files, tags
from tests.worker.frames.makers import exif_bytes, jpeg_bytes, picture, png_bytes, write_dng, write_tiff


def with_thumbnail(path: Path, *, size: tuple[int, int] = (480, 320)) -> Path:
    pixels = picture(width=size[0], height=size[1])
    exif = card.exif_block(card.Body(thumbnail=True), tags.Camera(), pixels)
    path.write_bytes(files.jpeg(pixels, quality=90, exif=exif, profile=tags.srgb_profile()))
    return path


def test_the_thumbnail_lies_where_pillow_finds_it(tmp_path: Path) -> None:
    path = with_thumbnail(tmp_path / "a.jpg")
    (inside,) = glance(path).embedded
    data = path.read_bytes()[inside.offset : inside.offset + inside.size]
    assert Image.open(io.BytesIO(data)).size == (160, 120)
    with Image.open(path) as outside:
        directory = outside.getexif().get_ifd(ExifTags.IFD.IFD1)
    assert directory[0x0202] == inside.size


def multi_picture(large: bytes, kind: int) -> bytes:
    """A JPEG with an MP index whose second entry is another JPEG behind it (CIPA DC-007)."""
    body = jpeg_bytes(picture())

    def segment(size: int, offset: int) -> bytes:
        entries = struct.pack("<IIIHH", 0x20030000, len(body), 0, 0, 0) + struct.pack(
            "<IIIHH", kind, size, offset, 0, 0
        )
        at = 8 + 2 + 3 * 12 + 4
        index = struct.pack("<HHI4s", 0xB000, 7, 4, b"0100") + struct.pack("<HHII", 0xB001, 4, 1, 2)
        index += struct.pack("<HHII", 0xB002, 7, 32, at)
        data = b"MPF\0II*\0\x08\0\0\0" + struct.pack("<H", 3) + index + b"\0\0\0\0" + entries
        return b"\xff\xe2" + struct.pack(">H", len(data) + 2) + data

    length = len(segment(0, 0))
    base = 2 + 4 + 4  # start marker, segment's head, 'MPF\0'
    return body[:2] + segment(len(large), len(body) + length - base) + body[2:] + large


def test_a_large_thumbnail_of_a_multi_picture_file_is_found(tmp_path: Path) -> None:
    large = jpeg_bytes(picture(width=640, height=480))
    path = tmp_path / "a.jpg"
    path.write_bytes(multi_picture(large, 0x010001))
    (inside,) = glance(path).embedded
    assert path.read_bytes()[inside.offset :] == large
    assert inside.size == len(large)


def test_other_pictures_of_a_multi_picture_file_are_no_previews(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(multi_picture(jpeg_bytes(picture(width=640, height=480)), 0x020002))
    assert glance(path).embedded == ()


@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff", "dng"])
def test_it_agrees_with_the_full_header(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"a.{kind}"
    match kind:
        case "jpeg":
            path.write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t271="Ulmstead", t274=6)))
        case "png":
            path.write_bytes(png_bytes(picture()))
        case "dng":
            write_dng(path)
        case _:
            write_tiff(path, picture(dtype=np.uint16))
    header, found = read_header(path), glance(path)
    assert (found.kind, found.orientation) == (header.kind, header.orientation)
    stored = (header.height, header.width) if header.orientation >= 5 else (header.width, header.height)
    assert (found.width, found.height) == stored
    assert found.camera == header.camera


def test_a_file_that_is_no_picture_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"")
    with pytest.raises(FrameRefused, match="empty"):
        glance(path)


def test_damage_never_ends_in_anything_but_a_refusal(tmp_path: Path, rng: np.random.Generator) -> None:
    whole = with_thumbnail(tmp_path / "whole.jpg", size=(64, 48)).read_bytes()
    path = tmp_path / "a.jpg"
    for _ in range(300):
        data = bytearray(whole[: int(rng.integers(4, len(whole)))])
        for at in rng.integers(2, min(len(data), 900), 6):
            data[int(at)] = int(rng.integers(256))
        path.write_bytes(bytes(data))
        with suppress(FrameRefused):
            assert glance(path).kind == "jpeg"
