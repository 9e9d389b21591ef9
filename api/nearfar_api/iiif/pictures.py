"""A delivered file, opened: its levels, and any part of one in sRGB.

Read with `pread` from one descriptor, so that many threads may read at once, and so that a file which is replaced
meanwhile stays the one that was opened. Every figure in the file is checked before it is believed.
"""

from __future__ import annotations

import os
import stat
import struct
import threading
import weakref
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import FrameRefused
from nearfar.frames.colour import sound_profile
from nearfar.frames.deliverable import TILE, decode_tile, level_sizes, tile_strips
from nearfar.frames.ifd import Form, Tags, read_directory, read_form
from nearfar.frames.source import FrameFile
from nearfar.frames.srgb import to_srgb
from nearfar_api.iiif.maps import map_colours
from nearfar_api.iiif.tiles import TileCache

U8 = NDArray[np.uint8]
Box = tuple[int, int, int, int]
"""Left, top, width, height in pixels."""

WIDTH, HEIGHT, BITS, COMPRESSION, DESCRIPTION, SAMPLES, PREDICTOR = 256, 257, 258, 259, 270, 277, 317
TILE_WIDTH, TILE_HEIGHT, OFFSETS, COUNTS, SUB_DIRECTORIES, PROFILE = 322, 323, 324, 325, 330, 34675
"""Tags of TIFF 6.0, SubIFDs of its supplement 1, and the profile after ICC.1 annex B."""
TILES = {TILE_WIDTH: TILE, TILE_HEIGHT: TILE}
CODED = {BITS: 16, COMPRESSION: 8, PREDICTOR: 2, **TILES}
"""A result, see `nearfar.frames.deliverable`."""
PLAIN = {BITS: 8, COMPRESSION: 1, **TILES}
"""A frame made ready to be looked at, see `nearfar.frames.looked`: these are sRGB."""
LARGEST = 1 << 20
"""Pixels of an edge; a header that says more is damaged."""
FAULTS = (LookupError, ValueError, TypeError, OverflowError, RuntimeError, struct.error, MemoryError)
"""What reading a damaged file may raise in the libraries that read it."""


_room = threading.local()


@dataclass(frozen=True, kw_only=True)
class Level:
    """One size of the picture."""

    width: int
    height: int
    offsets: list[int]
    counts: list[int]

    @property
    def across(self) -> int:
        """Tiles side by side."""
        return -(-self.width // TILE)


@dataclass(frozen=True)
class Identity:
    """What tells a file apart from the one that is in its place later."""

    device: int
    inode: int
    size: int
    modified: int

    @classmethod
    def of(cls, status: os.stat_result) -> Identity:
        """From what the system says."""
        return cls(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


class Picture:
    """An open picture of ours.

    Parameters
    ----------
    path
        A file that `nearfar.frames.deliverable.write_picture` or `nearfar.frames.looked.LookedWriter` wrote.

    Raises
    ------
    FrameRefused
        It is not, or it is damaged.
    OSError
        It cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        weakref.finalize(self, os.close, descriptor)
        status = os.fstat(descriptor)
        self.identity = Identity.of(status)
        self.modified = status.st_mtime
        self._file = FrameFile(path=path, size=status.st_size, descriptor=descriptor)
        try:
            if not stat.S_ISREG(status.st_mode):
                raise ValueError("no regular file")
            self._open()
        except FAULTS as error:
            raise _refused(path, f"{type(error).__name__}: {error}") from error

    def _open(self) -> None:
        form = read_form(self._file.peek)
        if form is None or form.order != "<":
            raise ValueError("no TIFF of this byte order")
        main = read_directory(self._file.peek, form, form.first)[0]
        self.width, self.height, self.channels = (_number(main, tag) for tag in (WIDTH, HEIGHT, SAMPLES))
        if not (0 < self.width <= LARGEST and 0 < self.height <= LARGEST and self.channels in (1, 3)):
            raise ValueError(f"{self.width} x {self.height} pixels of {self.channels} channels")
        self._plain = _number(main, BITS) == 8
        self.levels = self._levels(main, form)
        colours = (
            map_colours(main[DESCRIPTION].text()) if DESCRIPTION in main and self.channels == 1 else None
        )
        self.shown = 3 if colours is not None else self.channels
        """Channels that it is seen with."""
        profile = sound_profile(main[PROFILE].raw if PROFILE in main else None)[0]
        self._convert = colours or to_srgb(profile, self.channels)

    def _levels(self, main: Tags, form: Form) -> tuple[Level, ...]:
        places = main[SUB_DIRECTORIES].integers() if SUB_DIRECTORIES in main else []
        if len(places) > 24:
            raise ValueError(f"{len(places)} levels")
        tags = [main, *(read_directory(self._file.peek, form, place)[0] for place in places)]
        sizes = level_sizes(self.width, self.height, len(tags))
        return tuple(self._level(one, *size) for one, size in zip(tags, sizes, strict=True))

    def _level(self, tags: Tags, width: int, height: int) -> Level:
        form = PLAIN if self._plain else CODED
        for tag, value in {WIDTH: width, HEIGHT: height, SAMPLES: self.channels, **form}.items():
            if (found := _number(tags, tag)) != value:
                raise ValueError(f"TIFF tag {tag} is {found} in place of {value}")
        level = Level(
            width=width, height=height, offsets=tags[OFFSETS].integers(), counts=tags[COUNTS].integers()
        )
        number = level.across * -(-height // TILE)
        if not len(level.offsets) == len(level.counts) == number:
            raise ValueError(f"{len(level.offsets)} tiles in place of {number}")
        return level

    @property
    def tag(self) -> str:
        """What an entity tag says of the file."""
        return f"{self.identity.inode:x}-{self.identity.size:x}-{self.identity.modified:x}"

    def part(self, number: int, box: Box, cache: TileCache, check: Callable[[], None]) -> U8:
        """A part of one level as sRGB.

        Parameters
        ----------
        number
            Of the level, the finest being 0.
        box
            In pixels of that level, within it.
        cache
            Where decoded tiles are kept.
        check
            Called before each tile; may raise to stop.

        Returns
        -------
        (height, width, 3) or, for greyscale that is no map, (height, width) uint8.

        Raises
        ------
        FrameRefused
            A tile is damaged.
        """
        x, y, width, height = box
        if (width, height) == (TILE, TILE) and x % TILE == y % TILE == 0:
            whole = self._tile(number, y // TILE, x // TILE, cache)
            return whole if self.shown == 3 else whole[:, :, 0]
        out = np.empty((height, width, self.shown), np.uint8)
        for row in range(y // TILE, (y + height - 1) // TILE + 1):
            for column in range(x // TILE, (x + width - 1) // TILE + 1):
                check()
                tile = self._tile(number, row, column, cache)
                top, left = row * TILE, column * TILE
                first_y, first_x = max(y, top), max(x, left)
                last_y, last_x = min(y + height, top + TILE), min(x + width, left + TILE)
                inside = tile[first_y - top : last_y - top, first_x - left : last_x - left]
                out[first_y - y : last_y - y, first_x - x : last_x - x] = inside
        return out if self.shown == 3 else out[:, :, 0]

    def samples(self, box: Box) -> NDArray[np.uint16]:
        """The samples as they are in a box of the finest level of a map, (h, w), for few pixels. Raises `FrameRefused`."""
        level = self.levels[0]
        x, y, width, height = box
        x, y = min(x, self.width - 1), min(y, self.height - 1)
        right, bottom = min(x + width, self.width), min(y + height, self.height)
        out = np.empty((bottom - y, right - x), np.uint16)
        for row in range(y // TILE, (bottom - 1) // TILE + 1):
            for column in range(x // TILE, (right - 1) // TILE + 1):
                place = row * level.across + column
                try:
                    data = self._file.peek(level.offsets[place], level.counts[place])
                    tile = decode_tile(data, self.channels)[:, :, 0]
                except FAULTS as error:
                    raise _refused(self.path, f"tile {place} that cannot be read ({error})") from error
                top, left = row * TILE, column * TILE
                first, start = max(y, top), max(x, left)
                part = tile[first - top : bottom - top, start - left : right - left]
                out[first - y : first - y + part.shape[0], start - x : start - x + part.shape[1]] = part
        return out

    def _tile(self, number: int, row: int, column: int, cache: TileCache) -> U8:
        level = self.levels[number]
        place = row * level.across + column
        try:
            return cache.get(
                (self.identity, number, place),
                lambda: self._decoded(level.offsets[place], level.counts[place]),
            )
        except FAULTS as error:
            raise _refused(
                self.path,
                f"tile {place} of level {number} that cannot be read ({type(error).__name__}: {error})",
            ) from error

    def _decoded(self, offset: int, size: int) -> U8:
        plain = TILE * TILE * self.channels
        if not (size == plain if self._plain else 0 < size <= 4 * plain):
            raise ValueError(f"{size} bytes")
        data = self._file.peek(offset, size)
        if self._plain:
            return np.frombuffer(data, np.uint8).reshape(TILE, TILE, self.channels)
        if len(data) != size:
            raise ValueError("the file ends before")
        out = np.empty((TILE, TILE, self.shown), np.uint8)
        for top, strip in tile_strips(data, _samples(self.channels)):
            out[top : top + len(strip)] = self._convert(strip)
        return out


def _samples(channels: int) -> NDArray[np.uint16]:
    """Room for the samples of one tile, of this thread: fresh memory each time costs more than what is done with it."""
    held: NDArray[np.uint16] | None = getattr(_room, "samples", None)
    if held is None or held.shape[2] != channels:
        held = _room.samples = np.empty((TILE, TILE, channels), np.uint16)
    return held


def _number(tags: Tags, tag: int) -> int:
    return tags[tag].integers()[0]


def _refused(path: Path, found: str) -> FrameRefused:
    return FrameRefused(
        path,
        found=found,
        expected="a picture as Nearfar delivers it",
        remedy="Run the job again; if the file was edited, look at it with the program that wrote it.",
    )
