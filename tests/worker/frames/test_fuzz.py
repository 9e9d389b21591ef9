"""Damaged files either decode or are refused: never another error, never a hang, whatever bytes were hit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, exif_block, read_header
from nearfar.frames.windows import FrameRows
from tests.worker.frames.makers import jpeg_bytes, picture, png_bytes, write_dng, write_tiff

MUTATIONS = 60


def _jpeg(path: Path) -> None:
    path.write_bytes(jpeg_bytes(picture()))


def _progressive(path: Path) -> None:
    path.write_bytes(jpeg_bytes(picture(), progressive=True, subsampling=2))


def _png(path: Path) -> None:
    path.write_bytes(png_bytes(picture(dtype=np.uint16)))


def _tiff(compression: str | None, dtype: str = "u2", **options: int) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        write_tiff(path, picture(dtype=dtype), compression=compression, rowsperstrip=8, **options)

    return write


def _heif(path: Path) -> None:
    pillow_heif = pytest.importorskip("pillow_heif", reason="the extra 'heif' is not installed")
    array = picture(height=64, width=64)
    pillow_heif.from_bytes(mode="RGB", size=(64, 64), data=array.tobytes()).save(path, quality=80)


KINDS: dict[str, Callable[[Path], object]] = {
    "jpeg": _jpeg,
    "progressive jpeg": _progressive,
    "png": _png,
    "plain tiff": _tiff(None),
    "lzw tiff": _tiff("lzw", predictor=2),
    "deflate tiff": _tiff("adobe_deflate"),
    "zstd tiff": _tiff("zstd"),
    "packbits tiff": _tiff("packbits", "u1"),
    "float tiff": _tiff("adobe_deflate", "f4", predictor=3),
    "big tiff": _tiff("adobe_deflate", bigtiff=True),
    "dng": write_dng,
    "heif": _heif,
}


def _mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """Flip bytes, cut, drop, insert or blank a piece; half of the time near the start, where the structure is."""
    changed = bytearray(data)
    reach = len(data) if rng.random() < 0.5 else min(len(data), 512)
    at = int(rng.integers(reach))
    length = int(rng.integers(1, 40))
    match int(rng.integers(5)):
        case 0:
            for place in rng.integers(0, reach, int(rng.integers(1, 6))):
                changed[place] = int(rng.integers(256))
        case 1:
            del changed[at:]
        case 2:
            del changed[at : at + length]
        case 3:
            changed[at:at] = rng.bytes(length)
        case _:
            changed[at : at + length] = bytes(length)
    return bytes(changed)


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_bytes_decode_or_are_refused(kind: str, tmp_path: Path) -> None:
    source = tmp_path / "whole"
    KINDS[kind](source)
    data = source.read_bytes()
    rng = np.random.default_rng(len(data))
    outcomes = {"decoded": 0, "refused": 0}
    for number in range(MUTATIONS):
        path = tmp_path / f"{number}.bin"
        path.write_bytes(_mutated(data, rng))
        try:
            header = read_header(path)
            exif_block(header)
            pixels = decode(header)
            with FrameRows(header) as rows:
                assert np.array_equal(rows.rows(0, header.height), pixels)
            assert pixels.shape == (header.height, header.width, 3)
            outcomes["decoded"] += 1
        except FrameRefused:
            outcomes["refused"] += 1
    assert outcomes["refused"] > 0
    assert sum(outcomes.values()) == MUTATIONS
