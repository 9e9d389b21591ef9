"""TIFF frames (TIFF 6.0, BigTIFF, the floating-point and predictor notes of 2005): layout read by our own directory
reader, so that a strip that is missing or short is found, where lenient readers fill in black.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from nearfar.frames import tiff_tags
from nearfar.frames.camera import camera_data
from nearfar.frames.colour import sound_profile
from nearfar.frames.exif import EXIF_IFD, GPS_IFD, ExifBlock
from nearfar.frames.headers import FrameHeader, PlainRows
from nearfar.frames.ifd import Form, Tags, integers_of, read_directory, read_form
from nearfar.frames.orient import deciding, swaps_sides
from nearfar.frames.source import EXPORT_AGAIN, MAX_PIXELS, FrameFile, check_size

WANTED = "8- or 16-bit (or floating-point) RGB or greyscale TIFF"
COPY_OR_EXPORT = "Copy the file again, or export it again."
MAX_PAGES = 1000
PLAIN_BAND = 64  # rows that an uncompressed strip is read in
MAX_TILE_BYTES = 256 << 20
_PHOTOMETRIC = {
    3: "palette colour",
    4: "a transparency mask",
    5: "CMYK or other ink colour",
    6: "YCbCr colour",
    8: "Lab colour",
    9: "ICC Lab colour",
    10: "ITU Lab colour",
    32803: "undeveloped sensor data",
    32844: "LogL light",
    32845: "LogLuv light",
    34892: "undeveloped linear raw data",
}
NONE, LZW, DEFLATE, DEFLATE_OLD, PACKBITS, ZSTD = 1, 5, 8, 32946, 32773, 50000
# Codings that are read, and the most bytes that one stored byte can become; for none, the strips are checked one by one.
_SUPPORTED = {NONE: 1000.0, LZW: 1400.0, DEFLATE: 1040.0, DEFLATE_OLD: 1040.0, PACKBITS: 65.0, ZSTD: 40_000.0}
_COMPRESSIONS = {
    2: "fax",
    3: "fax",
    4: "fax",
    6: "old-style JPEG",
    7: "JPEG",
    34712: "JPEG 2000",
    34887: "LERC",
    34892: "lossy JPEG",
    34925: "LZMA",
    50001: "WebP",
    50002: "JPEG XL",
    52546: "JPEG XL",
}
_SAMPLE_FORMATS = {2: "signed integer", 4: "untyped", 5: "complex integer", 6: "complex"}


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How the pixels of the first picture lie in the file. Sizes before orientation; chunks are strips or tiles."""

    order: Literal["<", ">"]
    width: int
    height: int
    samples: int  # per pixel, extra ones included
    channels: int  # of colour: 3 or 1
    stored: np.dtype[np.generic]  # sample type in native order
    inverted: bool  # greyscale with 0 = white
    planar: bool
    compression: int
    predictor: int
    chunk_width: int
    chunk_height: int
    offsets: tuple[int, ...]
    sizes: tuple[int, ...]
    plain: PlainRows | None
    tiled: bool

    @property
    def across(self) -> int:
        """Chunks side by side."""
        return -(-self.width // self.chunk_width)

    @property
    def down(self) -> int:
        """Chunks one below the other."""
        return -(-self.height // self.chunk_height)

    @property
    def chunk_samples(self) -> int:
        """Samples per pixel within one chunk."""
        return 1 if self.planar else self.samples

    @property
    def bits(self) -> int:
        """Of the decoded samples."""
        return 8 if self.stored == np.uint8 else 16


def read_header(file: FrameFile, asked: int | None = None) -> tuple[FrameHeader, ExifBlock]:
    """Header and camera data of a TIFF; ``asked``: orientation in place of its own."""
    tags, form, notes = first_picture(file)
    layout = read_layout(file, tags, form)
    block = ExifBlock(
        image=tags, exif=_linked(file, form, tags, EXIF_IFD), gps=_linked(file, form, tags, GPS_IFD)
    )
    stored = block.orientation()
    orientation, tagged = deciding(stored, asked)
    width, height = layout.width, layout.height
    if swaps_sides(orientation):
        width, height = height, width
    if stored == 0:
        notes.append("the stored orientation makes no sense and is ignored")
    icc, icc_notes = sound_profile(tags[tiff_tags.ICC_PROFILE].raw if tiff_tags.ICC_PROFILE in tags else None)
    header = FrameHeader(
        path=file.path,
        kind="tiff",
        width=width,
        height=height,
        channels=layout.channels,
        bits=layout.bits,
        stored_bits=layout.stored.itemsize * 8,
        orientation=orientation,
        icc=icc,
        camera=camera_data(block),
        in_parts=not swaps_sides(orientation)
        and (layout.across > 1 or layout.down > 1 or layout.height == 1),
        plain=layout.plain if orientation == 1 else None,
        notes=(*notes, *_sample_notes(layout), *icc_notes),
        decode_bytes=_decode_bytes(layout, orientation),
        tagged=tagged,
    )
    return header, block


def first_picture(file: FrameFile) -> tuple[Tags, Form, list[str]]:
    """Tags of the first picture that is not a reduced one, and a note on the pages left alone.

    Pages of one size are no such rest, but most likely a whole stack: refused, so that none is missed without a word.
    """
    form = read_form(file.peek)
    if form is None:
        raise file.damaged("no TIFF header")
    pages: list[Tags] = []
    seen: set[int] = set()
    at = form.first
    while at and at not in seen and len(pages) < MAX_PAGES:
        seen.add(at)
        tags, at = read_directory(file.peek, form, at)
        if tags:
            pages.append(tags)
    full = [tags for tags in pages if not _number(tags, tiff_tags.NEW_SUBFILE_TYPE, 0) & 5]
    if not full and not pages:
        raise file.cut_short("a TIFF with its tag directory")
    chosen = (full or pages)[0]
    like = _shape(chosen)
    alike = sum(_shape(tags) == like for tags in full)
    if alike > 1:
        raise file.refused(
            f"{alike} pages of one size",
            "one frame in each file",
            "Save each page as a file of its own, in order.",
        )
    notes = [] if len(full) < 2 else [f"the first of {len(full)} pages is used"]
    return chosen, form, notes


def _shape(tags: Tags) -> tuple[int, ...]:
    """Width, height and samples of a page."""
    numbers = (tiff_tags.IMAGE_WIDTH, tiff_tags.IMAGE_LENGTH, tiff_tags.SAMPLES_PER_PIXEL)
    return tuple(_number(tags, number, 1) for number in numbers)


def _linked(file: FrameFile, form: Form, tags: Tags, number: int) -> Tags:
    tag = tags.get(number)
    values = tag.integers() if tag else []
    return read_directory(file.peek, form, values[0])[0] if len(values) == 1 else {}


def _number(tags: Tags, number: int, default: int) -> int:
    values = integers_of(tags, number)
    return values[0] if values else default


def _sample_notes(layout: Layout) -> tuple[str, ...]:
    notes = []
    if layout.samples > layout.channels:
        extra = layout.samples - layout.channels
        notes.append(f"{extra} further channel{'s' if extra > 1 else ''} (such as transparency) left alone")
    if layout.stored.kind == "f":
        notes.append("floating-point samples are read as 16 bit; values a little outside 0..1 are clipped")
    return tuple(notes)


def _decode_bytes(layout: Layout, orientation: int) -> int:
    """A chunk as stored, unpacked and converted; the band that chunks are put together in; a picture to be turned."""
    samples = layout.chunk_width * layout.chunk_height * layout.chunk_samples
    each = 3 * layout.stored.itemsize + (32 if layout.stored.kind == "f" else 0)
    turned = layout.width * layout.height * 3 * layout.bits // 8 if swaps_sides(orientation) else 0
    band = layout.chunk_height * layout.width * 3 * layout.bits // 8
    return samples * each + band + turned + (1 << 20)


def read_layout(file: FrameFile, tags: Tags, form: Form) -> Layout:
    """How the pixels lie; whatever is not supported, or contradicts itself, is refused."""
    width, height = _number(tags, tiff_tags.IMAGE_WIDTH, 0), _number(tags, tiff_tags.IMAGE_LENGTH, 0)
    compression = _compression(file, tags)
    samples, channels, inverted = _colours(file, tags)
    stored = _sample_type(file, tags)
    pixel_bytes = samples * stored.itemsize
    check_size(file, width, height, pixels_per_byte=_SUPPORTED[compression] / pixel_bytes)
    planar = _number(tags, tiff_tags.PLANAR_CONFIGURATION, 1) == 2 and samples > 1
    tiled = tiff_tags.TILE_WIDTH in tags
    if tiled:
        chunk_width, chunk_height = (
            _number(tags, tiff_tags.TILE_WIDTH, 0),
            _number(tags, tiff_tags.TILE_LENGTH, 0),
        )
    else:
        chunk_width, chunk_height = (
            width,
            min(_number(tags, tiff_tags.ROWS_PER_STRIP, height) or height, height),
        )
    if (
        chunk_width < 1
        or chunk_height < 1
        or (tiled and chunk_width * chunk_height * pixel_bytes > MAX_TILE_BYTES)
    ):
        raise file.damaged(f"tiles of {chunk_width} x {chunk_height} pixels")
    layout = Layout(
        order="<" if form.order == "<" else ">",
        width=width,
        height=height,
        samples=samples,
        channels=channels,
        stored=stored,
        inverted=inverted,
        planar=planar,
        compression=compression,
        predictor=_predictor(file, tags, stored, compression),
        chunk_width=chunk_width,
        chunk_height=chunk_height,
        offsets=(),
        sizes=(),
        plain=None,
        tiled=tiled,
    )
    return _in_bands(_place_chunks(file, tags, layout))


def _colours(file: FrameFile, tags: Tags) -> tuple[int, int, bool]:
    """Samples per pixel, channels of colour, and whether 0 is white."""
    photometric = _number(tags, tiff_tags.PHOTOMETRIC, -1)
    samples = _number(tags, tiff_tags.SAMPLES_PER_PIXEL, 1)
    if photometric in _PHOTOMETRIC:
        raise file.refused(_PHOTOMETRIC[photometric], WANTED, EXPORT_AGAIN)
    if photometric not in (0, 1, 2):
        raise file.damaged(f"photometric interpretation {photometric}")
    channels = 3 if photometric == 2 else 1
    if not channels <= samples <= 64:
        raise file.damaged(f"{samples} samples per pixel for {channels} colour channels")
    return samples, channels, photometric == 0


def _sample_type(file: FrameFile, tags: Tags) -> np.dtype[np.generic]:
    depths = set(tags[tiff_tags.BITS_PER_SAMPLE].integers()) if tiff_tags.BITS_PER_SAMPLE in tags else {1}
    formats = set(tags[tiff_tags.SAMPLE_FORMAT].integers()) if tiff_tags.SAMPLE_FORMAT in tags else {1}
    if len(depths) != 1 or len(formats) != 1:
        raise file.refused("channels of different depths", WANTED, EXPORT_AGAIN)
    bits, form = depths.pop(), formats.pop()
    if form == 1 and bits in (8, 16):
        return np.dtype(f"u{bits // 8}")
    if form == 3 and bits in (16, 32, 64):
        return np.dtype(f"f{bits // 8}")
    name = "floating-point" if form == 3 else _SAMPLE_FORMATS.get(form, "unsigned integer")
    raise file.refused(f"{bits}-bit {name} samples", WANTED, EXPORT_AGAIN)


def _compression(file: FrameFile, tags: Tags) -> int:
    code = _number(tags, tiff_tags.COMPRESSION, 1)
    if code not in _SUPPORTED:
        name = _COMPRESSIONS.get(code, f"number {code}")
        expected = "no compression, LZW, Deflate, PackBits or Zstandard"
        raise file.refused(f"TIFF with {name} compression", expected, EXPORT_AGAIN)
    if _number(tags, tiff_tags.FILL_ORDER, 1) != 1:
        raise file.refused("TIFF with reversed bits", "fill order 1", EXPORT_AGAIN)
    return code


def _predictor(file: FrameFile, tags: Tags, stored: np.dtype[np.generic], compression: int) -> int:
    predictor = _number(tags, tiff_tags.PREDICTOR, 1) if compression not in (NONE, PACKBITS) else 1
    if predictor not in (1, 2, 3) or (predictor == 3 and stored.kind != "f"):
        raise file.refused(
            f"TIFF with predictor {predictor}", "predictor 1, 2 or (floating-point) 3", EXPORT_AGAIN
        )
    return predictor


def _place_chunks(file: FrameFile, tags: Tags, layout: Layout) -> Layout:
    """Offsets and sizes of all chunks, checked against the file's length."""
    where, length = (
        (tiff_tags.TILE_OFFSETS, tiff_tags.TILE_BYTE_COUNTS)
        if layout.tiled
        else (tiff_tags.STRIP_OFFSETS, tiff_tags.STRIP_BYTE_COUNTS)
    )
    count = layout.across * layout.down * (layout.samples if layout.planar else 1)
    offsets = integers_of(tags, where)
    sizes = integers_of(tags, length)
    if not sizes and layout.compression == NONE and count == 1:
        sizes = [_chunk_bytes(layout, 0)]
    if len(offsets) < count or len(sizes) < count:
        found = f"a TIFF that lists {min(len(offsets), len(sizes))} of its {count} strips or tiles"
        raise file.refused(found, "all of them", COPY_OR_EXPORT)
    offsets, sizes = offsets[:count], sizes[:count]
    for index, (offset, size) in enumerate(zip(offsets, sizes, strict=True)):
        if offset <= 0 or size <= 0:
            raise file.damaged(f"strip or tile {index} of {count} is missing")
        if offset + size > file.size:
            raise file.cut_short(f"at least {offset + size} bytes")
        if layout.compression == NONE and size < _chunk_bytes(layout, index):
            raise file.damaged(f"strip or tile {index} of {count} is too short")
    return replace(layout, offsets=tuple(offsets), sizes=tuple(sizes))


def chunk_rows(layout: Layout, index: int) -> int:
    """Rows in a chunk: tiles are always whole, the last strip may be shorter."""
    down = index % (layout.across * layout.down) // layout.across
    if layout.tiled:
        return layout.chunk_height
    return min(layout.chunk_height, layout.height - down * layout.chunk_height)


def _chunk_bytes(layout: Layout, index: int) -> int:
    return chunk_rows(layout, index) * layout.chunk_width * layout.chunk_samples * layout.stored.itemsize


def _in_bands(layout: Layout) -> Layout:
    """Uncompressed strips that follow one another are seen as bands of a few rows, and mapped if that is possible."""
    planes = layout.samples if layout.planar else 1
    row = layout.width * layout.chunk_samples * layout.stored.itemsize
    starts = [layout.offsets[p * layout.down] for p in range(planes)] if not layout.tiled else []
    strip = layout.chunk_height * row
    touching = bool(starts) and all(
        offset == starts[i // layout.down] + (i % layout.down) * strip
        for i, offset in enumerate(layout.offsets)
    )
    if layout.compression != NONE or not touching:
        return layout
    bands = range(0, layout.height, PLAIN_BAND)
    return replace(
        layout,
        chunk_height=min(PLAIN_BAND, layout.height),
        offsets=tuple(start + y * row for start in starts for y in bands),
        sizes=tuple(min(PLAIN_BAND, layout.height - y) * row for _ in starts for y in bands),
        plain=_plain(layout, starts, row),
    )


def _plain(layout: Layout, starts: list[int], row: int) -> PlainRows | None:
    item = layout.stored.itemsize
    native = layout.order == ("<" if sys.byteorder == "little" else ">") or item == 1
    gaps = {b - a for a, b in pairwise(starts[: layout.channels])}
    if layout.stored.kind != "u" or not native or layout.inverted or len(gaps) > 1 or starts[0] % item:
        return None
    plane = gaps.pop() if gaps else item
    if layout.channels == 1:
        plane = 0
    if plane < 0 or plane % item or layout.width * layout.height > MAX_PIXELS:
        return None
    return PlainRows(
        offset=starts[0], row_stride=row, pixel_stride=layout.chunk_samples * item, plane_stride=plane
    )
