"""A picture of ours, opened again: its tiles one by one, and the same file with some of its tiles replaced.

Tiles that stay are copied as they are, never decoded; directories keep every tag but the places of the tiles. A file
in which nothing is replaced comes out byte by byte as it was.
"""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import FrameRefused, WorkFailed
from nearfar.frames import tiff_tags
from nearfar.frames.deliverable import (
    HEADER_BYTES,
    TILE,
    decode_tile,
    level_sizes,
    offsets_tag,
    write_directories,
    write_preview,
)
from nearfar.frames.exif import EXIF_IFD, GPS_IFD
from nearfar.frames.ifd import Tags, integers_of, long_tag, read_directory, read_form
from nearfar.frames.source import FrameFile, opened

FAULTS = (FrameRefused, LookupError, ValueError, TypeError, OverflowError, RuntimeError, struct.error)
Place = tuple[int, int]
"""Level, finest first, and number of the tile in it, row by row."""


@dataclass(frozen=True, kw_only=True)
class Level:
    """One size of the picture and where its tiles lie."""

    width: int
    height: int
    offsets: Sequence[int]
    counts: Sequence[int]
    tags: Tags

    @property
    def across(self) -> int:
        """Tiles side by side."""
        return -(-self.width // TILE)

    @property
    def down(self) -> int:
        """Tiles one below the other."""
        return -(-self.height // TILE)


class Delivered:
    """An open picture that `deliverable.write_picture` wrote. It stays the file that was opened, whatever replaces it.

    Raises
    ------
    WorkFailed
        It is not one, or it is damaged.
    OSError
        It cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._opening = opened(path)
        try:
            self._file: FrameFile = self._opening.__enter__()
        except FrameRefused as error:
            raise _damaged(path, error) from error
        try:
            self._read()
        except FAULTS as error:
            self._opening.__exit__(None, None, None)
            raise _damaged(path, error) from error

    def _read(self) -> None:
        form = read_form(self._file.peek)
        if form is None or form.order != "<":
            raise ValueError("no TIFF of this byte order")
        peek = self._file.peek
        main = read_directory(peek, form, form.first)[0]
        inner = integers_of(main, tiff_tags.SUB_IFDS)
        directories = [main, *(read_directory(peek, form, place)[0] for place in inner)]
        self.exif, self.gps = (
            read_directory(peek, form, main[tag].integers()[0])[0] if tag in main else {}
            for tag in (EXIF_IFD, GPS_IFD)
        )
        self.width, self.height, self.channels = (
            main[t].integers()[0]
            for t in (tiff_tags.IMAGE_WIDTH, tiff_tags.IMAGE_LENGTH, tiff_tags.SAMPLES_PER_PIXEL)
        )
        self.icc = main[tiff_tags.ICC_PROFILE].raw if tiff_tags.ICC_PROFILE in main else None
        sizes = level_sizes(self.width, self.height, len(directories))
        self.levels = tuple(_level(tags, *size) for tags, size in zip(directories, sizes, strict=True))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._opening.__exit__(None, None, None)

    def coded(self, place: Place) -> bytes:
        """A tile as it is stored."""
        level = self.levels[place[0]]
        return self._file.peek(level.offsets[place[1]], level.counts[place[1]])

    def tile(self, place: Place) -> NDArray[np.uint16]:
        """A tile, (512, 512, channels), padded with zeros at the picture's edges. Raises `WorkFailed`."""
        try:
            return decode_tile(self.coded(place), self.channels)
        except FAULTS as error:
            raise _damaged(self.path, error) from error

    def descriptor(self) -> int:
        """Of the open file."""
        return self._file.descriptor


def _level(tags: Tags, width: int, height: int) -> Level:
    found = tuple(tags[tag].integers()[0] for tag in (tiff_tags.IMAGE_WIDTH, tiff_tags.IMAGE_LENGTH))
    if found != (width, height):
        raise ValueError(f"a level of {found[0]} x {found[1]} pixels in place of {width} x {height}")
    level = Level(
        width=width,
        height=height,
        offsets=tags[tiff_tags.TILE_OFFSETS].integers(),
        counts=tags[tiff_tags.TILE_BYTE_COUNTS].integers(),
        tags=tags,
    )
    if not len(level.offsets) == len(level.counts) == level.across * level.down:
        raise ValueError(f"{len(level.offsets)} tiles in place of {level.across * level.down}")
    return level


def _damaged(path: Path, error: BaseException) -> WorkFailed:
    return WorkFailed(
        f"{path}: not a picture as Nearfar delivers it ({type(error).__name__}: {error}). If it was edited or the disk "
        "is failing, put the delivered file back, or run the job again"
    )


def write_replaced(source: Delivered, target: Path, replaced: Mapping[Place, bytes]) -> None:
    """Write a copy of the picture with some of its tiles replaced.

    Parameters
    ----------
    source
        The picture; only its tiles are read.
    target
        The file to write.
    replaced
        Coded tiles by their places; all others are copied.
    """
    with open(target, "wb") as file:
        file.seek(HEADER_BYTES)
        directories = []
        for number, level in enumerate(source.levels):
            offsets, counts = _write_level(source, file, number, level, replaced)
            tags = {k: v for k, v in level.tags.items() if k not in (tiff_tags.SUB_IFDS, EXIF_IFD, GPS_IFD)}
            directories.append(
                tags
                | {
                    tiff_tags.TILE_OFFSETS: offsets_tag(offsets),
                    tiff_tags.TILE_BYTE_COUNTS: long_tag(*counts),
                }
            )
        write_directories(file, directories, source.exif, source.gps)


def _write_level(
    source: Delivered, file: BinaryIO, number: int, level: Level, replaced: Mapping[Place, bytes]
) -> tuple[list[int], list[int]]:
    offsets: list[int] = []
    counts: list[int] = []
    copying = _Run(source.descriptor(), file)
    for place, (offset, count) in enumerate(zip(level.offsets, level.counts, strict=True)):
        data = replaced.get((number, place))
        if data is None:
            offsets.append(copying.add(offset, count))
            counts.append(count)
            continue
        copying.flush()
        offsets.append(file.tell())
        counts.append(len(data))
        file.write(data + b"\0" * (len(data) & 1))
    copying.flush()
    return offsets, counts


class _Run:
    """Copies stretches of a file as long as they lie one behind the other, together."""

    def __init__(self, source: int, file: BinaryIO) -> None:
        self._source = source
        self._file = file
        self._start = self._size = 0

    def add(self, offset: int, count: int) -> int:
        """Copy a tile, perhaps later together with its neighbours; returns its offset in the new file."""
        if offset != self._start + self._size:
            self.flush()
            self._start = offset
        at = self._file.tell() + self._size
        self._size += count + (count & 1)
        return at

    def flush(self) -> None:
        """Copy what was put off."""
        if self._size:
            self._file.flush()
            copy_bytes(self._source, self._start, self._file, self._size)
        self._start = self._size = 0


def copy_bytes(source: int, offset: int, file: BinaryIO, size: int) -> None:
    """Copy a stretch of an open file behind what was written, within the kernel if the file systems can."""
    at, end, begins = offset, offset + size, file.tell()
    while at < end:
        try:
            done = os.copy_file_range(source, file.fileno(), end - at, offset_src=at)
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise
            break  # these two file systems cannot
        if done == 0:
            break
        at += done
    file.seek(begins + at - offset)
    while at < end:
        data = os.pread(source, min(1 << 20, end - at), at)
        if not data:
            raise WorkFailed(f"the picture ends {end - at} bytes too soon; put the delivered file back")
        file.write(data)
        at += len(data)


def write_preview_like(old: Path, new: Path, picture: NDArray[np.uint8]) -> None:
    """Write a JPEG preview that carries what another one carries: profile, camera data and our mark.

    Parameters
    ----------
    old
        The preview of the same picture, as `deliverable.write_preview` wrote it; missing, the new one carries nothing.
    new
        The file to write.
    picture
        (h, w, channels) uint8.
    """
    write_preview(new, picture, icc=None)
    try:
        kept = old.read_bytes()
    except FileNotFoundError:
        return
    made = new.read_bytes()
    new.write_bytes(made[:2] + _applications(kept) + made[2 + len(_applications(made)) :])


def _applications(data: bytes) -> bytes:
    """The application segments behind a JPEG's start marker (ITU-T T.81, B.2.4.6)."""
    at = 2
    while data[at : at + 1] == b"\xff" and 0xE0 <= data[at + 1] <= 0xEF:
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return data[2:at]
