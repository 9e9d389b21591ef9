"""Pictures written row by row: coded tiles go to disk, and each row of tiles is passed to the next level at half size."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.deliverable import TILE, checksum, decode_tile, encode_tile
from nearfar.merge.kernel.picture_calls import halve

U16 = NDArray[np.uint16]
EIGHT_BIT = ((np.arange(1 << 16, dtype=np.uint32) * 255 + 32895) >> 16).astype(np.uint8)
"""Each 16-bit sample at 8 bit."""
Coded = Callable[[int], Sequence[bytes] | None]
"""Gives the coded tiles of a row, counted from the top, if they were made before; else None."""


def tiles_of(rows: U16) -> list[U16]:
    """Cut up to 512 rows (k, width, c) into tiles (512, 512, c), from the left, padded with zeros."""
    height, width, channels = rows.shape
    whole = np.zeros((TILE, -(-width // TILE) * TILE, channels), np.uint16)
    whole[:height, :width] = rows
    return [whole[:, x : x + TILE] for x in range(0, whole.shape[1], TILE)]


def uncoded(_: int) -> None:
    """A `Coded` without any tiles."""


class TileStream:
    """Takes a picture's rows from the top and writes its coded tiles to a file, one row of tiles at a time.

    Parameters
    ----------
    width, height, channels
        Of the picture, 16 bit.
    path
        Where the coded tiles go.
    then
        The next level, which is given every row of tiles at half size.
    coded
        Asked for each row of tiles before it is coded.
    """

    def __init__(
        self,
        width: int,
        height: int,
        channels: int,
        path: Path,
        then: TileStream | None = None,
        *,
        coded: Coded = uncoded,
    ) -> None:
        self.size = (width, height)
        self.channels = channels
        self.path = path
        self.then = then
        self._coded = coded
        self._row = 0
        self._rows = np.zeros((TILE, -(-width // TILE) * TILE, channels), np.uint16)
        self._filled = 0
        self._taken = 0
        self._coded_tiles: list[tuple[int, int]] = []
        path.write_bytes(b"")

    def add(self, rows: U16, pool: ThreadPoolExecutor) -> None:
        """Add (k, width, channels) rows."""
        while len(rows):
            count = min(len(rows), TILE - self._filled)
            self._rows[self._filled : self._filled + count, : self.size[0]] = rows[:count]
            self._filled += count
            self._taken += count
            rows = rows[count:]
            if self._filled == TILE:
                self._flush(pool)

    def _flush(self, pool: ThreadPoolExecutor) -> None:
        if not self._filled:
            return
        rows = self._rows[: self._filled, : self.size[0]]
        coded = self._coded(self._row)
        self._row += 1
        with open(self.path, "ab") as file:
            for data in coded if coded is not None else pool.map(encode_tile, tiles_of(rows)):
                self._coded_tiles.append((len(data), checksum(data)))
                file.write(data)
        if self.then is not None:
            self.then.add(halve(np.ascontiguousarray(rows)), pool)
        self._filled = 0

    def close(self, pool: ThreadPoolExecutor) -> None:
        """Write the last rows, here and in all further levels."""
        self._flush(pool)
        if self._taken != self.size[1]:
            raise WorkFailed(f"{self.path}: {self._taken} rows of {self.size[1]} arrived")
        if self.then is not None:
            self.then.close(pool)

    def tiles(self) -> Iterator[bytes]:
        """Coded tiles, row by row. Raises `WorkFailed` at one that is not what was written."""
        with open(self.path, "rb") as file:
            for size, known in self._coded_tiles:
                data = file.read(size)
                if checksum(data) != known:
                    raise WorkFailed(f"{self.path}: not the tiles that were written; the disk may be failing")
                yield data

    def levels(self) -> list[TileStream]:
        """This level and all smaller ones."""
        return [self, *(self.then.levels() if self.then else [])]


def gather(tiles: Iterable[bytes], width: int, height: int, channels: int) -> NDArray[np.uint8]:
    """A whole picture (height, width, channels) from its coded tiles, reduced to 8 bit."""
    across = -(-width // TILE)
    out = np.empty((height, width, channels), np.uint8)
    for place, data in enumerate(tiles):
        y, x = TILE * (place // across), TILE * (place % across)
        tile = decode_tile(data, channels)[: height - y, : width - x]
        out[y : y + TILE, x : x + TILE] = EIGHT_BIT[tile]
    return out


def preview(
    levels: Sequence[tuple[tuple[int, int], Iterable[bytes]]], channels: int, edge: int
) -> NDArray[np.uint8]:
    """A picture in 8 bit, (h, w, channels), its longer edge at most ``edge``: the nearest larger level, reduced by means.

    ``levels``: width, height and coded tiles of each, the finest first; only those of one level are read.
    """
    (width, height), tiles = levels[0]
    for size, smaller in levels[1:]:
        if max(size) < edge:
            break
        (width, height), tiles = size, smaller
    picture = gather(tiles, width, height, channels)
    scale = edge / max(width, height)
    if scale >= 1:
        return picture
    reduced = (max(1, round(width * scale)), max(1, round(height * scale)))
    return np.asarray(cv2.resize(picture, reduced, interpolation=cv2.INTER_AREA), np.uint8)


def pyramid(
    width: int, height: int, channels: int, name: Path, *, coded: Coded = uncoded, least: int = 0
) -> TileStream | None:
    """All levels below a picture of that size, down to one tile; None where the picture is one tile itself.

    Each lies in a file called like ``name`` behind a word that says which level it is. ``coded`` is that of the first.
    Levels whose longer edge is shorter than ``least`` are left out.
    """
    sizes: list[tuple[int, int]] = []
    while max(width, height) > TILE:
        width, height = (width + 1) // 2, (height + 1) // 2
        if max(width, height) < least:
            break
        sizes.append((width, height))
    level: TileStream | None = None
    for number, (w, h) in reversed(list(enumerate(sizes, 1))):
        path = name.with_name(f"level{number}-{name.name}")
        level = TileStream(w, h, channels, path, level, coded=coded if number == 1 else uncoded)
    return level
