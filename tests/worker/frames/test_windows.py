"""Rows of a frame: the same pixels as the whole, in any order, at a band's memory."""

from __future__ import annotations

import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.errors import FrameRefused, WorkFailed
from nearfar.frames.decode import decode, decode_cost, read_header
from nearfar.frames.windows import FrameRows, map_plain
from tests.worker.frames.makers import jpeg_bytes, picture, png_bytes, turned, write_dng, write_tiff


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    "options",
    [
        {"compression": "lzw", "rowsperstrip": 16},
        {"compression": "adobe_deflate", "tile": (32, 16)},
        {"rowsperstrip": 5},
        {"byteorder": ">", "planarconfig": "separate"},
    ],
    ids=str,
)
def test_bands_are_what_the_whole_is(tmp_path: Path, orientation: int, options: dict[str, Any]) -> None:
    upright = picture(height=150, width=90, dtype=np.uint16)
    tags = [(274, 3, 1, orientation, True)]
    path = write_tiff(tmp_path / "frame.tif", turned(upright, orientation), extratags=tags, **options)
    header = read_header(path)
    assert header.in_parts == (orientation <= 4)
    with FrameRows(header) as rows:
        for y0, y1 in ((0, 1), (149, 150), (13, 77), (64, 128), (0, 150), (5, 6)):
            part = rows.rows(y0, y1)
            assert part.flags.c_contiguous
            assert np.array_equal(part, upright[y0:y1])


def test_rows_of_a_file_without_parts_are_given_too(tmp_path: Path) -> None:
    for data in (jpeg_bytes(picture()), png_bytes(picture(channels=1))):
        path = tmp_path / "frame.bin"
        path.write_bytes(data)
        header = read_header(path)
        assert not header.in_parts
        with FrameRows(header) as rows:
            assert np.array_equal(rows.rows(11, 30), decode(header)[11:30])


@pytest.mark.parametrize(("y0", "y1"), [(-1, 5), (5, 5), (9, 3), (0, 41)])
def test_rows_outside_are_an_error(tmp_path: Path, y0: int, y1: int) -> None:
    header = read_header(write_tiff(tmp_path / "frame.tif", picture()))
    with FrameRows(header) as rows, pytest.raises(WorkFailed, match="of a frame of 40 rows"):
        rows.rows(y0, y1)


def test_only_the_bands_that_are_asked_for_are_read(tmp_path: Path) -> None:
    path = write_tiff(tmp_path / "frame.tif", picture(), compression="adobe_deflate", rowsperstrip=8)
    header = read_header(path)
    data = bytearray(path.read_bytes())
    data[-20] ^= 0xFF
    path.write_bytes(data)
    with FrameRows(header) as rows:
        assert np.array_equal(rows.rows(0, 32), picture()[:32])
        with pytest.raises(FrameRefused, match="strip or tile 4"):
            rows.rows(32, 33)


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "lzw", "rowsperstrip": 16},
        {"compression": "adobe_deflate", "tile": (128, 128)},
        {"compression": "zstd", "rowsperstrip": 32, "planarconfig": "separate"},
        {"byteorder": ">"},
    ],
    ids=str,
)
def test_memory_stays_at_a_band(tmp_path: Path, options: dict[str, Any]) -> None:
    path = write_tiff(tmp_path / "frame.tif", picture(height=3000, width=800, dtype=np.uint16), **options)
    header = read_header(path)
    whole = 3000 * 800 * 6
    tracemalloc.start()
    try:
        with FrameRows(header) as rows:
            step = rows.row_step
            for y in range(0, 3000, step):
                rows.rows(y, min(y + step, 3000))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < whole / 4
    assert peak <= decode_cost(header) + 2 * step * 800 * 6


@pytest.mark.parametrize("kind", ["jpeg", "grey jpeg", "png", "tiff", "float tiff", "turned tiff", "dng"])
def test_decoding_stays_within_its_stated_cost(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "frame.bin"
    size = {"height": 600, "width": 900}
    match kind:
        case "jpeg":
            path.write_bytes(jpeg_bytes(picture(**size)))
        case "grey jpeg":
            path.write_bytes(jpeg_bytes(picture(**size, channels=1)))
        case "png":
            path.write_bytes(png_bytes(picture(**size, dtype=np.uint16)))
        case "tiff":
            write_tiff(path, picture(**size, dtype=np.uint16), compression="lzw")
        case "float tiff":
            write_tiff(path, picture(**size, dtype=np.float32), compression="zlib", rowsperstrip=600)
        case "turned tiff":
            write_tiff(path, picture(**size), extratags=[(274, 3, 1, 6, True)])
        case _:
            write_dng(path, height=600, width=900)
    header = read_header(path)
    out = np.empty((header.height, header.width, 3), f"u{header.bits // 8}")
    tracemalloc.start()
    try:
        decode(header, out)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak <= decode_cost(header)


def test_a_coded_file_cannot_be_mapped(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    path.write_bytes(jpeg_bytes(picture()))
    with pytest.raises(WorkFailed, match="cannot be mapped"):
        map_plain(read_header(path))
