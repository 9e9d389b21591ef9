"""Levels of the pyramid: fed row by row, each the half of the one above, coded tile by tile."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.deliverable import TILE, decode_tile
from nearfar.merge.deliver.pyramid import TileStream, gather, pyramid


@pytest.fixture
def pool() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(2) as made:
        yield made


def picture(rng: np.random.Generator, width: int, height: int, channels: int = 3) -> NDArray[np.uint16]:
    return rng.integers(0, 65536, (height, width, channels)).astype(np.uint16)


def feed(stream: TileStream, rows: NDArray[np.uint16], pool: ThreadPoolExecutor, step: int) -> None:
    for start in range(0, len(rows), step):
        stream.add(rows[start : start + step], pool)
    stream.close(pool)


def whole(stream: TileStream, width: int, height: int, channels: int) -> NDArray[np.uint16]:
    """A level's picture from its coded tiles."""
    across = -(-width // TILE)
    out = np.zeros((-(-height // TILE) * TILE, across * TILE, channels), np.uint16)
    for place, data in enumerate(stream.tiles()):
        y, x = TILE * (place // across), TILE * (place % across)
        out[y : y + TILE, x : x + TILE] = decode_tile(data, channels)
    assert not out[height:].any()
    return out[:height, :width]


def halved(source: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """NumPy's mean of 2 x 2, rounded half up; odd edges use what is there."""
    h, w, _ = source.shape
    padded = np.pad(source, ((0, h % 2), (0, w % 2), (0, 0)), mode="edge").astype(np.int64)
    total = padded[::2, ::2] + padded[1::2, ::2] + padded[::2, 1::2] + padded[1::2, 1::2]
    return ((total + 2) // 4).astype(np.uint16)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("step", [1, 100, TILE, 700])
def test_each_level_is_the_half_of_the_one_above(
    rng: np.random.Generator, tmp_path: Path, pool: ThreadPoolExecutor, step: int, channels: int
) -> None:
    width, height = 1201, 1031
    source = picture(rng, width, height, channels)
    first = pyramid(width, height, channels, tmp_path / "result")
    assert first is not None
    expected = halved(source)
    feed(first, expected, pool, step)
    levels = first.levels()
    assert [level.size for level in levels] == [(601, 516), (301, 258)]
    for level in levels:
        np.testing.assert_array_equal(whole(level, *level.size, channels), expected)
        expected = halved(expected)


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ((512, 512), []),
        ((513, 1), [(257, 1)]),
        ((6000, 4000), [(3000, 2000), (1500, 1000), (750, 500), (375, 250)]),
    ],
    ids=str,
)
def test_levels_end_with_one_tile(
    tmp_path: Path,
    pool: ThreadPoolExecutor,
    size: tuple[int, int],
    expected: list[tuple[int, int]],
) -> None:
    first = pyramid(*size, 3, tmp_path / "result")
    assert [level.size for level in (first.levels() if first else [])] == expected
    if first:
        with pytest.raises(WorkFailed, match="0 rows"):
            first.close(pool)
        for level in first.levels()[1:]:
            with pytest.raises(WorkFailed):
                level.close(pool)


def test_rows_that_are_missing_at_the_end_are_told(
    rng: np.random.Generator, tmp_path: Path, pool: ThreadPoolExecutor
) -> None:
    stream = TileStream(40, 50, 3, tmp_path / "level")
    stream.add(picture(rng, 40, 30), pool)
    with pytest.raises(WorkFailed, match="30 rows of 50"):
        stream.close(pool)


@pytest.mark.parametrize("channels", [1, 3])
def test_tiles_are_gathered_into_a_picture_of_8_bit(
    rng: np.random.Generator, tmp_path: Path, pool: ThreadPoolExecutor, channels: int
) -> None:
    """Every 16-bit value goes to the nearest of the 256 values 257 k."""
    source = picture(rng, 700, 530, channels)
    source.reshape(-1)[:65536] = np.arange(65536)
    stream = TileStream(700, 530, channels, tmp_path / "level")
    feed(stream, source, pool, 64)
    made = gather(stream.tiles(), 700, 530, channels)
    assert made.dtype == np.uint8
    np.testing.assert_array_equal(made, np.floor(source / 257 + 0.5).astype(np.uint8))


def test_tiles_that_changed_on_the_disk_are_refused(
    rng: np.random.Generator, tmp_path: Path, pool: ThreadPoolExecutor
) -> None:
    stream = TileStream(700, 300, 1, tmp_path / "level")
    feed(stream, picture(rng, 700, 300, 1), pool, 100)
    data = bytearray(stream.path.read_bytes())
    data[-9] ^= 1
    stream.path.write_bytes(data)
    tiles = stream.tiles()
    next(tiles)
    with pytest.raises(WorkFailed, match="not the tiles that were written"):
        next(tiles)
