"""Writes results: a tiled pyramidal TIFF that every reader opens, and a JPEG preview.

Deflate with horizontal predictor, since other codings are read as black by some programs without an error. Directories
are written after the tiles: whether the file must be a BigTIFF is then known, not guessed, and the Exif and GPS
directories are written as what they are.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames import tiff_tags
from nearfar.frames.exif import EXIF_IFD, GPS_IFD, PIXEL_X, PIXEL_Y, ExifBlock, block_bytes
from nearfar.frames.ifd import (
    BYTE,
    Tag,
    Tags,
    ascii_tag,
    bytes_tag,
    directory_bytes,
    long8_tag,
    long_tag,
    rational_tag,
    short_tag,
)

TILE = 512  # pixels, both ways
STRIP = 64  # rows of a tile that are decoded together
DEFLATE, HORIZONTAL = 8, 2  # compression and predictor, TIFF's supplement 2 and its section 14
DEFLATE_LEVEL = 1  # the fastest
CLASSIC_LIMIT = (1 << 32) - (1 << 16)  # bytes; beyond it 32-bit offsets may not reach
HEADER_BYTES = 16  # room for the header of either form
PREVIEW_QUALITY = 90
INCH = 2  # TIFF ResolutionUnit
MAX_SEGMENT = 65_533 - 14  # bytes of profile in one JPEG segment
Sums = Sequence[Sequence[int]]
"""Checksums of coded tiles, row by row, for each level of a picture, the finest first."""


@dataclass(frozen=True, kw_only=True)
class Composite:
    """What Exif 3.0 says about a picture made from several exposures."""

    in_set: int  # exposures taken for it
    used: int  # of which this many are in it
    exposure_times: tuple[float, ...] = ()  # s, of those used, in order; empty if not known


@dataclass(frozen=True, kw_only=True)
class PictureTags:
    """Everything a result carries besides its pixels, but not when it was made: the same frames give the same file."""

    icc: bytes | None = None
    exif: ExifBlock | None = None
    xmp: bytes | None = None
    software: str | None = None
    description: str | None = None
    pixels_per_inch: float = 300.0
    composite: Composite | None = None


def encode_tile(tile: NDArray[np.uint16]) -> bytes:
    """A (512, 512, c) uint16 tile as Deflate data with horizontal predictor (TIFF 6.0 section 14)."""
    if tile.shape[:2] != (TILE, TILE) or tile.ndim != 3 or tile.dtype != np.uint16:
        raise WorkFailed(
            f"a tile must be ({TILE}, {TILE}, channels) of uint16, not {tile.shape} of {tile.dtype}"
        )
    differences = np.asarray(imagecodecs.delta_encode(np.ascontiguousarray(tile), axis=-2)).astype(
        "<u2", copy=False
    )
    return bytes(imagecodecs.deflate_encode(differences.tobytes(), level=DEFLATE_LEVEL))


def checksum(data: bytes | memoryview, before: int | None = None) -> int:
    """CRC-32 of bytes that follow others with the CRC-32 ``before``."""
    return int(imagecodecs.deflate_crc32(data, before))  # type: ignore[arg-type]


def decode_tile(data: bytes, channels: int) -> NDArray[np.uint16]:
    """Inverse of :func:`encode_tile`: (512, 512, channels) uint16."""
    raw = np.frombuffer(imagecodecs.deflate_decode(data, out=TILE * TILE * channels * 2), "<u2")
    return np.asarray(imagecodecs.delta_decode(raw.reshape(TILE, TILE, channels), axis=-2), np.uint16)


def tile_strips(data: bytes, samples: NDArray[np.uint16]) -> Iterator[tuple[int, NDArray[np.uint16]]]:
    """The tile in strips from the top, each with its first row, decoded into ``samples``, (512, 512, channels).

    What is done to a strip before the next one is asked for finds it in the processor's cache, which takes half the time
    of `decode_tile`.
    """
    imagecodecs.deflate_decode(data, out=samples.reshape(-1).view(np.uint8).data)
    for top in range(0, TILE, STRIP):
        strip = samples[top : top + STRIP]
        imagecodecs.delta_decode(strip, axis=-2, out=strip)
        yield top, strip


def write_picture(
    path: Path | str,
    *,
    width: int,
    height: int,
    channels: int,
    levels: Sequence[Iterable[bytes]],
    tags: PictureTags,
) -> Sums:
    """Stream encoded tiles into a TIFF (BigTIFF if it grows beyond 4 GiB); returns the checksums of each level's tiles.

    Parameters
    ----------
    path
        The file to write; take it from :func:`nearfar.frames.whole.whole_file`.
    width, height
        Of the finest level, in pixels; each further level has half of the one before, rounded up.
    channels
        3 (RGB) or 1 (greyscale), 16 bit.
    levels
        For each level, finest first, its tiles from :func:`encode_tile`, row by row. They are read once, in order.
    tags
        Profile, camera data and the rest.

    Raises
    ------
    WorkFailed
        If a level has too few or too many tiles.
    """
    sizes = level_sizes(width, height, len(levels))
    with open(path, "wb") as file:
        file.seek(HEADER_BYTES)
        placed = [
            _write_tiles(file, tiles, *size, level=number)
            for number, (tiles, size) in enumerate(zip(levels, sizes, strict=True))
        ]
        directories = [
            _picture_tags(*size, channels=channels, offsets=offsets, counts=counts, reduced=number > 0)
            for number, (size, (offsets, counts, _)) in enumerate(zip(sizes, placed, strict=True))
        ]
        directories[0] |= _describing_tags(tags)
        write_directories(
            file, directories, _exif_tags(tags, width, height), tags.exif.gps if tags.exif else {}
        )
    return [sums for _, _, sums in placed]


def level_sizes(width: int, height: int, levels: int) -> list[tuple[int, int]]:
    """(width, height) of each level, finest first."""
    sizes = [(width, height)]
    while len(sizes) < levels:
        sizes.append(((sizes[-1][0] + 1) // 2, (sizes[-1][1] + 1) // 2))
    return sizes


def _write_tiles(
    file: BinaryIO, tiles: Iterable[bytes], width: int, height: int, *, level: int
) -> tuple[list[int], list[int], list[int]]:
    """Offsets, bytes and checksums of the tiles."""
    expected = -(-width // TILE) * -(-height // TILE)
    offsets: list[int] = []
    counts: list[int] = []
    sums: list[int] = []
    for data in tiles:
        offsets.append(file.tell())
        counts.append(len(data))
        sums.append(checksum(data))
        file.write(data + b"\0" * (len(data) & 1))
    if len(offsets) != expected or 0 in counts:
        raise WorkFailed(f"level {level} of {width} x {height} pixels got {len(offsets)} of {expected} tiles")
    return offsets, counts, sums


def offsets_tag(values: Sequence[int]) -> Tag:
    """32-bit if that is enough (a BigTIFF may mix), else 64-bit."""
    return long_tag(*values) if max(values) < 1 << 32 else long8_tag(*values)


def _picture_tags(
    width: int, height: int, *, channels: int, offsets: list[int], counts: list[int], reduced: bool
) -> Tags:
    return {
        tiff_tags.NEW_SUBFILE_TYPE: long_tag(1 if reduced else 0),
        tiff_tags.IMAGE_WIDTH: long_tag(width),
        tiff_tags.IMAGE_LENGTH: long_tag(height),
        tiff_tags.BITS_PER_SAMPLE: short_tag(*[16] * channels),
        tiff_tags.COMPRESSION: short_tag(DEFLATE),
        tiff_tags.PHOTOMETRIC: short_tag(2 if channels == 3 else 1),
        tiff_tags.SAMPLES_PER_PIXEL: short_tag(channels),
        tiff_tags.PLANAR_CONFIGURATION: short_tag(1),
        tiff_tags.PREDICTOR: short_tag(HORIZONTAL),
        tiff_tags.TILE_WIDTH: short_tag(TILE),
        tiff_tags.TILE_LENGTH: short_tag(TILE),
        tiff_tags.TILE_OFFSETS: offsets_tag(offsets),
        tiff_tags.TILE_BYTE_COUNTS: long_tag(*counts),
        tiff_tags.SAMPLE_FORMAT: short_tag(*[1] * channels),
    }


def plain_directory(width: int, height: int, *, channels: int, offsets: list[int], reduced: bool) -> Tags:
    """Tags of a level of 8-bit tiles that are not coded, as `nearfar.frames.looked` writes them."""
    counts = [TILE * TILE * channels] * len(offsets)
    found = _picture_tags(width, height, channels=channels, offsets=offsets, counts=counts, reduced=reduced)
    del found[tiff_tags.PREDICTOR]
    return found | {
        tiff_tags.BITS_PER_SAMPLE: short_tag(*[8] * channels),
        tiff_tags.COMPRESSION: short_tag(1),
    }


def _describing_tags(tags: PictureTags) -> Tags:
    found: Tags = dict(tags.exif.image) if tags.exif else {}
    found[tiff_tags.ORIENTATION] = short_tag(1)
    resolution = Fraction(tags.pixels_per_inch).limit_denominator(1000)
    each = rational_tag((resolution.numerator, resolution.denominator))
    found[tiff_tags.X_RESOLUTION] = found[tiff_tags.Y_RESOLUTION] = each
    found[tiff_tags.RESOLUTION_UNIT] = short_tag(INCH)
    if tags.description is not None:
        found[tiff_tags.IMAGE_DESCRIPTION] = ascii_tag(tags.description)
    if tags.software is not None:
        found[tiff_tags.SOFTWARE] = ascii_tag(tags.software)
    if tags.xmp is not None:
        found[tiff_tags.XMP] = bytes_tag(tags.xmp, BYTE)
    if tags.icc is not None:
        found[tiff_tags.ICC_PROFILE] = bytes_tag(tags.icc)
    return found


def _exif_tags(tags: PictureTags, width: int, height: int) -> Tags:
    """The Exif directory of the result; empty if there is nothing to say."""
    if tags.exif is None and tags.composite is None:
        return {}
    found: Tags = dict(tags.exif.exif) if tags.exif else {}
    found[0x9000] = bytes_tag(b"0300")
    found[PIXEL_X], found[PIXEL_Y] = long_tag(width), long_tag(height)
    if tags.composite is not None:
        found[0xA460] = short_tag(2)  # a composite picture, not one made while taking it
        found[0xA461] = short_tag(tags.composite.in_set, tags.composite.used)
        if tags.composite.exposure_times:
            found[0xA462] = _exposure_times(tags.composite.exposure_times)
    return found


def _exposure_times(times: Sequence[float]) -> Tag:
    """SourceExposureTimesOfCompositeImage, laid out from memory of Exif 2.32 and 3.0.

    Seven fractions (whole period, sum of all, sum of those used, longest of all and of those used, shortest of all and
    of those used), two shorts (sequences, exposures in one), then a fraction for each exposure. The period and the
    figures of all exposures are not known here and stand as 0/0.
    """
    unknown = (0, 0)
    used = [_fraction(value) for value in (sum(times), max(times), min(times))]
    figures = [unknown, unknown, used[0], unknown, used[1], unknown, used[2]]
    raw = b"".join(struct.pack("<II", *figure) for figure in figures) + struct.pack("<HH", 1, len(times))
    return bytes_tag(raw + b"".join(struct.pack("<II", *_fraction(value)) for value in times))


def _fraction(value: float) -> tuple[int, int]:
    """A time as a fraction of 32-bit numbers, 1/n if it is short."""
    nearest = Fraction(value).limit_denominator(1_000_000)
    return nearest.numerator, nearest.denominator


def write_directories(file: BinaryIO, directories: list[Tags], exif: Tags, gps: Tags) -> None:
    """Sub-directories first, the main one last, then the header that points at it."""
    parts = [*directories, exif, gps]
    still_to_come = sum(len(directory_bytes(part, 0, big=True)) + 8 for part in parts) + 64 * len(parts)
    big = file.tell() + still_to_come > CLASSIC_LIMIT
    main = directories[0]
    reduced = [_append(file, part, big=big) for part in directories[1:]]
    if reduced:
        main[tiff_tags.SUB_IFDS] = offsets_tag(reduced)
    for number, part in ((EXIF_IFD, exif), (GPS_IFD, gps)):
        if part:
            main[number] = offsets_tag([_append(file, part, big=big)])
    first = _append(file, main, big=big)
    file.seek(0)
    file.write(
        struct.pack("<2sHHHQ", b"II", 43, 8, 0, first) if big else struct.pack("<2sHI", b"II", 42, first)
    )


def _append(file: BinaryIO, tags: Tags, *, big: bool) -> int:
    at = file.seek(0, 2)
    if at % 2:
        file.write(b"\0")
        at += 1
    file.write(directory_bytes(tags, at, big=big))
    return at


def write_preview(
    path: Path | str, array: NDArray[np.uint8], *, icc: bytes | None, exif: ExifBlock | None = None
) -> None:
    """Write a JPEG with profile and camera data. It says upright, so that no reader turns it.

    ``array`` is (h, w, 3) RGB, or (h, w) or (h, w, 1) greyscale, uint8.
    """
    pixels: NDArray[Any] = array[:, :, None] if array.ndim == 2 else array
    colours = "GRAY" if pixels.shape[2] == 1 else "RGB"
    data = simplejpeg.encode_jpeg(
        np.ascontiguousarray(pixels),
        PREVIEW_QUALITY,
        colours,
        "Gray" if colours == "GRAY" else "444",
    )
    head = 4 + int.from_bytes(data[4:6], "big")  # the start marker and the JFIF segment
    height, width, channels = pixels.shape
    block = block_bytes(exif or ExifBlock(), width=width, height=height, channels=channels)
    extra = _segment(0xE1, b"Exif\0\0" + block) if len(block) < MAX_SEGMENT else b""
    with open(path, "wb") as file:
        file.write(data[:head] + extra + _profile_segments(icc or b"") + data[head:])


def _profile_segments(icc: bytes) -> bytes:
    """The profile in numbered chunks (ICC.1 annex B.4)."""
    parts = [icc[at : at + MAX_SEGMENT] for at in range(0, len(icc), MAX_SEGMENT)]
    if len(parts) > 255:
        raise WorkFailed(f"a colour profile of {len(icc)} bytes does not fit into a JPEG")
    marks = (b"ICC_PROFILE\0" + bytes([number, len(parts)]) for number in range(1, len(parts) + 1))
    return b"".join(_segment(0xE2, mark + part) for mark, part in zip(marks, parts, strict=True))


def _segment(marker: int, data: bytes) -> bytes:
    return bytes([0xFF, marker]) + struct.pack(">H", len(data) + 2) + data
