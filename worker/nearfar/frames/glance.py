"""A quick look at a picture file: its size, camera data, and where the small pictures inside it lie.

A card holds thousands of files, so a file is opened once and only its first bytes are read; nothing is decoded. Broken
tags are passed over. Only what is no picture at all is refused.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from nearfar.frames import heif, png, raw, tiff, tiff_tags
from nearfar.frames.camera import CameraData, camera_data
from nearfar.frames.decode import kind_of, refusing
from nearfar.frames.exif import PIXEL_X, PIXEL_Y, ExifBlock, block_from_bytes
from nearfar.frames.headers import FrameHeader
from nearfar.frames.ifd import Read, Tags, integers_of, read_directory, read_form
from nearfar.frames.maker_notes import with_maker_note
from nearfar.frames.source import FrameFile, opened

HEAD = 128 << 10
"""Bytes read at once: more than cameras put before the picture data, save for large previews, which are skipped."""
_MP_ENTRIES = 0xB002
_LARGE_THUMBNAILS = {0x010001, 0x010002}
"""Multi-picture types 'large thumbnail', VGA and full HD (CIPA DC-007, table 4; from memory)."""
MAX_EMBEDDED = 64 << 20


@dataclass(frozen=True, kw_only=True)
class Embedded:
    """A JPEG inside a file: place in bytes, and its width and height if they are known (else 0)."""

    offset: int
    size: int
    width: int = 0
    height: int = 0


@dataclass(frozen=True, kw_only=True)
class Glance:
    """What a quick look at a file gives. Width and height are as stored, before the orientation is applied."""

    kind: str  # as in FrameHeader
    width: int  # 0 if it is not known without decoding
    height: int
    orientation: int  # 1..8
    camera: CameraData
    embedded: tuple[Embedded, ...] = ()


@dataclass
class _Segments:
    """What the segments of a JPEG before its first scan hold."""

    width: int = 0
    height: int = 0
    exif: tuple[int, bytes] = (0, b"")
    multi: tuple[int, bytes] = (0, b"")
    notes: list[str] = field(default_factory=list)


def glance(path: Path | str) -> Glance:
    """Look at one file.

    Raises
    ------
    FrameRefused
        If it cannot be opened, or begins like no picture that is read here.
    """
    with opened(path) as file, refusing(file):
        kind = kind_of(file)
        match kind:
            case "jpeg":
                return _jpeg(file)
            case "raw":
                return _raw(file)
            case "tiff":
                return _tiff(file)
            case "png":
                return _from_header(png.read_header(file)[0])
            case _:
                return _from_header(heif.read_header(file)[0])


def _from_header(header: FrameHeader) -> Glance:
    width, height = header.stored_size
    return Glance(
        kind=header.kind,
        width=width,
        height=height,
        orientation=header.orientation,
        camera=header.camera,
    )


def _jpeg(file: FrameFile) -> Glance:
    found = _segments(file)
    at, data = found.exif
    block = block_from_bytes(data)
    embedded = [*_thumbnail(file, at, data), *_multi_pictures(file, *found.multi)]
    return Glance(
        kind="jpeg",
        width=found.width,
        height=found.height,
        orientation=block.orientation() or 1,
        camera=with_maker_note(camera_data(block), _reader(data)),
        embedded=tuple(embedded),
    )


def _segments(file: FrameFile) -> _Segments:
    found, at = _Segments(), 2
    head = file.peek(0, min(file.size, HEAD))
    for _ in range(2000):
        window = head[at : at + 4] if at + 4 <= len(head) else file.peek(at, 4)
        if len(window) < 4:
            break
        if window[0] != 0xFF or window[1] == 0xFF:
            at += 1
            continue
        marker, size = window[1], int.from_bytes(window[2:4], "big")
        if marker in (0x00, 0x01) or 0xD0 <= marker <= 0xD8:
            at += 2
            continue
        if marker in (0xDA, 0xD9) or size < 2:
            break
        if marker in (0xE1, 0xE2) or (0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC)):
            start, end = at + 4, at + 2 + size
            _keep(found, marker, start, head[start:end] if end <= len(head) else file.peek(start, size - 2))
        at += 2 + size
    return found


def _keep(found: _Segments, marker: int, at: int, data: bytes) -> None:
    if marker == 0xE1 and data[:5] == b"Exif\0" and not found.exif[1]:
        found.exif = at + 6, data[6:]
    elif marker == 0xE2 and data[:4] == b"MPF\0":
        found.multi = at + 4, data[4:]
    elif marker >= 0xC0 and marker <= 0xCF and len(data) >= 5 and not found.width:
        found.height, found.width = struct.unpack_from(">HH", data, 1)


def _reader(data: bytes) -> Read:
    return lambda offset, size: data[offset : offset + size] if offset >= 0 and size > 0 else b""


def _thumbnail(file: FrameFile, base: int, data: bytes) -> Iterator[Embedded]:
    """The thumbnail in the second directory of an Exif block (Exif 3.0, section on thumbnails)."""
    read = _reader(data)
    form = read_form(read)
    if form is None:
        return
    following = read_directory(read, form, form.first)[1]
    tags = read_directory(read, form, following)[0] if following else {}
    yield from _jpeg_of(file, tags, base)


def _jpeg_of(file: FrameFile, tags: Tags, base: int = 0) -> Iterator[Embedded]:
    where = integers_of(tags, tiff_tags.JPEG_INTERCHANGE_FORMAT)
    sizes = integers_of(tags, tiff_tags.JPEG_INTERCHANGE_FORMAT_LENGTH)
    for offset, size in zip(where, sizes, strict=False):
        if _sound(file, base + offset, size):
            yield Embedded(offset=base + offset, size=size)


def _sound(file: FrameFile, offset: int, size: int) -> bool:
    inside = offset > 0 and 100 < size <= MAX_EMBEDDED and offset + size <= file.size
    return inside and file.peek(offset, 3) == b"\xff\xd8\xff"


def _multi_pictures(file: FrameFile, base: int, data: bytes) -> Iterator[Embedded]:
    """Large thumbnails of a multi-picture file: entries of 16 bytes, offsets from the block's own start (CIPA DC-007)."""
    read = _reader(data)
    form = read_form(read) if data else None
    tag = read_directory(read, form, form.first)[0].get(_MP_ENTRIES) if form else None
    order = form.order if form else "<"
    entries = tag.raw if tag else b""
    for at in range(0, len(entries) - 15, 16):
        kind, size, offset = struct.unpack_from(order + "III", entries, at)
        if kind & 0xFFFFFF in _LARGE_THUMBNAILS and offset and _sound(file, base + offset, size):
            yield Embedded(offset=base + offset, size=size)


def _tiff(file: FrameFile) -> Glance:
    """A TIFF's own picture, and its camera data if its Exif lies in the first directory."""
    found = _from_header(tiff.read_header(file)[0])
    return replace(found, camera=with_maker_note(found.camera, file.peek))


def _raw(file: FrameFile) -> Glance:
    block = raw.exif_of(file)
    form = read_form(file.peek)
    directories = raw.directories(file) if form else []
    inside = file.peek if form else _reader(b"")
    embedded = [e for tags in directories for e in (*_jpeg_of(file, tags), *_jpeg_strip(file, tags))]
    embedded += _inside_raf(file)
    width, height = _largest(directories, block)
    return Glance(
        kind="raw",
        width=width,
        height=height,
        orientation=block.orientation() or 1,
        camera=with_maker_note(camera_data(block), inside),
        embedded=tuple(dict.fromkeys(embedded)),
    )


def _jpeg_strip(file: FrameFile, tags: Tags) -> Iterator[Embedded]:
    """A JPEG that a raw file keeps as the only strip of a directory, or under tag 0x002E (from memory)."""
    if 0x002E in tags and len(tags[0x002E].raw) > 1000:
        at = file.peek(0, HEAD).find(tags[0x002E].raw[:64])
        if at > 0:
            yield Embedded(offset=at, size=len(tags[0x002E].raw))
    where = integers_of(tags, tiff_tags.STRIP_OFFSETS)
    sizes = integers_of(tags, tiff_tags.STRIP_BYTE_COUNTS)
    coding = integers_of(tags, tiff_tags.COMPRESSION)[:1]
    photometric = integers_of(tags, tiff_tags.PHOTOMETRIC)[:1]
    plain_colour = photometric not in ([32803], [34892])
    if (
        len(where) == len(sizes) == 1
        and coding in ([6], [7])
        and plain_colour
        and _sound(file, where[0], sizes[0])
    ):
        yield Embedded(offset=where[0], size=sizes[0])


def _inside_raf(file: FrameFile) -> list[Embedded]:
    if file.peek(0, 15) != b"FUJIFILMCCD-RAW":
        return []
    offset, size = struct.unpack(">II", file.peek(84, 8).rjust(8, b"\0"))
    return [Embedded(offset=offset, size=size)] if _sound(file, offset, size) else []


def _largest(directories: list[Tags], block: ExifBlock) -> tuple[int, int]:
    """Width and height of the largest picture that the directories describe."""
    sizes = [(0, 0)]
    for tags in (*directories, block.exif):
        for across, down in ((tiff_tags.IMAGE_WIDTH, tiff_tags.IMAGE_LENGTH), (PIXEL_X, PIXEL_Y)):
            width = integers_of(tags, across)[:1]
            height = integers_of(tags, down)[:1]
            if width and height:
                sizes.append((width[0], height[0]))
    return max(sizes, key=lambda s: s[0] * s[1])
