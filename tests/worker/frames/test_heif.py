"""HEIF through the optional extra: pixels, depth, turns, camera data, and a clear word where it is missing."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, read_header
from tests.worker.frames.makers import exif_bytes, picture

pillow_heif = pytest.importorskip("pillow_heif", reason="the extra 'heif' is not installed")


def test_eight_bits_are_read(tmp_path: Path) -> None:
    path = tmp_path / "frame.heic"
    array = picture(height=64, width=96)
    exif = exif_bytes(t271="Nordlys")
    pillow_heif.from_bytes(mode="RGB", size=(96, 64), data=array.tobytes()).save(
        path, quality=100, chroma=444, exif=exif
    )
    header = read_header(path)
    assert (header.kind, header.width, header.height, header.bits) == ("heif", 96, 64, 8)
    assert header.camera.make == "Nordlys"
    assert header.orientation == 1
    assert np.abs(decode(header).astype(int) - array).mean() < 3


def test_ten_bits_fill_the_sixteen(tmp_path: Path) -> None:
    path = tmp_path / "frame.heic"
    array = np.full((64, 64, 3), 65535, np.uint16)
    pillow_heif.from_bytes(mode="RGB;16", size=(64, 64), data=array.tobytes()).save(path, quality=100)
    header = read_header(path)
    assert (header.bits, header.stored_bits) == (16, 10)
    assert int(decode(header).max()) == 65535


def test_a_turn_in_the_file_is_applied_once(tmp_path: Path) -> None:
    path = tmp_path / "frame.heic"
    pillow_heif.register_heif_opener()
    array = picture(height=64, width=96)
    Image.fromarray(array).save(path, quality=100, exif=exif_bytes(t274=6), chroma=444)
    header = read_header(path)
    pixels = decode(header)
    assert pixels.shape == (header.height, header.width, 3)
    expected = np.rot90(array, -1) if header.height == 96 else array
    assert np.abs(pixels.astype(int) - expected).mean() < 3


def test_a_flipped_byte_stays_within_a_refusal_or_a_picture(tmp_path: Path) -> None:
    path = tmp_path / "frame.heic"
    pillow_heif.from_bytes(mode="RGB", size=(96, 64), data=picture(height=64, width=96).tobytes()).save(path)
    path.write_bytes(path.read_bytes().replace(b"iloc", b"xloc"))
    with pytest.raises(FrameRefused, match="an HEIF file that cannot be read"):
        decode(read_header(path))


def test_without_the_extra_the_message_names_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "frame.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic" + bytes(100))
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(FrameRefused, match=r"pip install 'nearfar\[heif\]'"):
        read_header(path)
