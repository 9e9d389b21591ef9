"""Reads back what `deliverable` wrote: every tile of every level.

Where checksums of the coded tiles are known, they say more than decoding, in a hundredth of the time: that a tile is the
very one that was coded.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from nearfar.errors import FrameRefused, WorkFailed
from nearfar.frames import tiff_tags
from nearfar.frames.deliverable import TILE, Sums, checksum, decode_tile
from nearfar.frames.ifd import Form, Tags, integers_of, read_directory, read_form
from nearfar.frames.source import FrameFile, opened

Span = tuple[int, int, int]
"""Offset, bytes and channels of a tile."""


def check_tiles(
    path: Path,
    *,
    check: Callable[[], None],
    each: Callable[
        [Callable[[tuple[Span, int | None]], None], Iterable[tuple[Span, int | None]]], Iterable[None]
    ],
    sums: Sums | None = None,
) -> tuple[int, int]:
    """Read all tiles of a picture of ours; width and height of its finest level, pixels.

    Parameters
    ----------
    check
        Called before each tile; may raise to stop.
    each
        Applies a function to all tiles, like ``map``; a pool's may do many at a time.
    sums
        Checksums that the tiles must have; without them each is decoded.

    Raises
    ------
    WorkFailed
        It is not what `write_picture` writes.
    """
    try:
        with opened(path) as file:
            levels = list(_levels(file))

            def read(tile: tuple[Span, int | None]) -> None:
                check()
                (offset, size, channels), known = tile
                data = file.peek(offset, size)
                if known is None:
                    decode_tile(data, channels)
                elif checksum(data) != known:
                    raise ValueError("a tile with a checksum that is not that of its data")

            spans = [list(_spans(level)) for level in levels]
            known = [[None] * len(level) for level in spans] if sums is None else sums
            tiles = [pair for pairs in zip(spans, known, strict=True) for pair in zip(*pairs, strict=True)]
            for _ in each(read, tiles):
                pass
            return _number(levels[0], tiff_tags.IMAGE_WIDTH), _number(levels[0], tiff_tags.IMAGE_LENGTH)
    except (FrameRefused, ValueError, LookupError, RuntimeError, struct.error) as error:
        raise WorkFailed(
            f"{path}: not the picture that was written ({type(error).__name__}: {error}); the disk may be failing. "
            "It will be made again"
        ) from error


def _levels(file: FrameFile) -> Iterator[Tags]:
    form = read_form(file.peek)
    if form is None:
        raise ValueError("no TIFF")
    main = _directory(file, form, form.first)
    yield main
    for offset in integers_of(main, tiff_tags.SUB_IFDS):
        yield _directory(file, form, offset)


def _directory(file: FrameFile, form: Form, offset: int) -> Tags:
    return read_directory(file.peek, form, offset)[0]


def _number(level: Tags, tag: int) -> int:
    return level[tag].integers()[0]


def _spans(level: Tags) -> Iterator[Span]:
    offsets, counts = level[tiff_tags.TILE_OFFSETS].integers(), level[tiff_tags.TILE_BYTE_COUNTS].integers()
    expected = -(-_number(level, tiff_tags.IMAGE_WIDTH) // TILE) * -(
        -_number(level, tiff_tags.IMAGE_LENGTH) // TILE
    )
    if not len(offsets) == len(counts) == expected:
        raise ValueError(f"{len(offsets)} tiles in place of {expected}")
    for offset, size in zip(offsets, counts, strict=True):
        yield offset, size, _number(level, tiff_tags.SAMPLES_PER_PIXEL)
