"""A picture to be looked at soon: 8-bit sRGB in plain tiles, with all its smaller levels, written a strip at a time.

Plain, since it is read once or twice and then thrown away: coding would take longer than everything else. It is a
TIFF 6.0 nevertheless, laid out as a result is (`nearfar.frames.deliverable`).
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Self

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.deliverable import HEADER_BYTES, TILE, level_sizes, plain_directory, write_directories

U8 = NDArray[np.uint8]


class _Level:
    """One size: rows that do not make a row of tiles yet, and where the tiles written so far lie."""

    def __init__(self, width: int, height: int, channels: int) -> None:
        self.size = (width, height)
        self.rows = np.zeros((TILE, -(-width // TILE) * TILE, channels), np.uint8)
        self.held = 0
        self.done = 0
        self.offsets: list[int] = []


class LookedWriter:
    """Writes such a picture from the top.

    Parameters
    ----------
    path
        The file to write; take a temporary name and rename it.
    size
        Width and height in pixels.
    channels
        3 (RGB) or 1 (greyscale).
    """

    def __init__(self, path: Path, size: tuple[int, int], channels: int) -> None:
        count, edge = 1, max(size)
        while edge > TILE:
            count, edge = count + 1, (edge + 1) // 2
        self.channels = channels
        self._levels = [_Level(*each, channels) for each in level_sizes(*size, count)]
        self._file = open(path, "wb")  # noqa: SIM115 - closed at the end of the block
        self._file.seek(HEADER_BYTES)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._close()
        finally:
            self._file.close()

    def add(self, rows: U8) -> None:
        """The next rows, (r, width, channels); at most `TILE` of them, an even number but for the last."""
        self._add(0, rows)

    def _add(self, number: int, rows: U8) -> None:
        level = self._levels[number]
        if level.done + level.held + len(rows) > level.size[1] or level.held + len(rows) > TILE:
            raise WorkFailed(f"level {number} of {level.size} pixels got rows that do not fit")
        level.rows[level.held : level.held + len(rows), : level.size[0]] = rows
        level.held += len(rows)
        whole = level.done + level.held == level.size[1]
        if level.held == TILE or whole:
            self._write(number, level, whole=whole)

    def _write(self, number: int, level: _Level, *, whole: bool) -> None:
        held, width = level.held, level.size[0]
        level.rows[held:] = 0
        for x in range(0, width, TILE):
            level.offsets.append(self._file.tell())
            self._file.write(level.rows[:, x : x + TILE].tobytes())
        if number + 1 < len(self._levels):
            self._add(number + 1, _half(level.rows[:held, :width], self.channels))
        level.done += held
        level.held = 0

    def _close(self) -> None:
        if any(level.done != level.size[1] for level in self._levels):
            raise WorkFailed("a picture to be looked at was closed before its last row")
        directories = [
            plain_directory(*level.size, channels=self.channels, offsets=level.offsets, reduced=number > 0)
            for number, level in enumerate(self._levels)
        ]
        self._file.seek(0, 2)
        write_directories(self._file, directories, {}, {})


def _half(rows: U8, channels: int) -> U8:
    """Half size, rounded up; an odd edge is repeated."""
    height, width = rows.shape[:2]
    if height % 2 or width % 2:
        rows = np.pad(rows, ((0, height % 2), (0, width % 2), (0, 0)), mode="edge")
    size = (-(-width // 2), -(-height // 2))
    half = cv2.resize(rows, size, interpolation=cv2.INTER_AREA)
    return np.asarray(half, np.uint8).reshape(size[1], size[0], channels)
