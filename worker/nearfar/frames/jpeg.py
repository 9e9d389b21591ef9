"""JPEG frames (ITU-T T.81, JFIF, Exif): header by our own marker walk, pixels by libjpeg-turbo.

libjpeg only warns if data is missing or left over and hands out a picture all the same; every warning is a refusal
here, save for the padding bytes that cameras leave before the end marker or between segments.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field

import numpy as np
import simplejpeg

from nearfar.frames.camera import camera_data
from nearfar.frames.colour import sound_profile
from nearfar.frames.exif import ExifBlock, block_from_bytes
from nearfar.frames.headers import FrameHeader
from nearfar.frames.ifd import read_directory, read_form
from nearfar.frames.orient import Samples, check_out, deciding, finish, swaps_sides
from nearfar.frames.source import EXPORT_AGAIN, FrameFile, check_size

SOI, EOI, SOS = 0xD8, 0xD9, 0xDA
WANTED = "baseline or progressive JPEG, 8 bits, RGB or greyscale"
PIXELS_PER_BYTE = 2000  # an empty picture in the best progressive coding stays below 1000
MAX_PADDING = 4096
LEAST_HALVED = 16  # pixels, both ways; libjpeg treats chroma of very narrow pictures differently
ADOBE_RGB = b"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x00"
"""An Adobe segment that says that the components are colours, so that nobody converts them."""
MOST_BLOCK = 32  # rows that are coded together at most
_REFUSED_CODINGS = {
    0xC3: "lossless JPEG",
    0xC5: "hierarchical JPEG",
    0xC6: "hierarchical JPEG",
    0xC7: "lossless JPEG",
    0xC9: "arithmetic-coded JPEG",
    0xCA: "arithmetic-coded JPEG",
    0xCB: "arithmetic-coded lossless JPEG",
    0xCD: "arithmetic-coded hierarchical JPEG",
    0xCE: "arithmetic-coded hierarchical JPEG",
    0xCF: "arithmetic-coded lossless JPEG",
}
_LEFT_OVER = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
_MARKER = re.compile(rb"\xff+([^\x00\xff\xd0-\xd7])")


@dataclass
class Walk:
    """What the markers before the first scan say."""

    coding: int = 0
    precision: int = 0
    width: int = 0
    height: int = 0
    components: tuple[int, ...] = ()
    sampling: tuple[int, ...] = ()  # factors of each component: 16 across + down
    adobe_transform: int | None = None
    jfif: int | None = None  # major version
    tables: list[tuple[int, int]] = field(default_factory=list)
    """Offset and size of the segments that decoding needs."""
    exif: bytes = b""
    icc_parts: dict[int, bytes] = field(default_factory=dict)
    icc_count: int = 0
    pictures: int = 1
    padding: list[tuple[int, int]] = field(default_factory=list)  # (offset, size) between segments
    scan: int = 0  # offset of the first SOS marker
    frame: int = 0  # offset of the frame header


def walk_markers(file: FrameFile) -> Walk:
    """Follow the segments up to the first scan."""
    walk, at = Walk(), 2
    while True:
        at, marker = _next_marker(file, walk, at)
        if marker == SOS:
            walk.scan = at
            break
        if marker in (SOI, EOI):
            raise file.damaged("no picture data before a start or end marker")
        if marker == 0x01 or 0xD0 <= marker <= 0xD7:
            at += 2
            continue
        (size,) = struct.unpack(">H", file.read(at + 2, 2))
        if size < 2:
            raise file.damaged(f"a segment of {size} bytes")
        if _wanted(marker):
            _note_segment(file, walk, marker, file.read(at + 4, size - 2))
            if walk.coding and not walk.frame:
                walk.frame = at
        if marker < 0xE0:
            walk.tables.append((at, 2 + size))
        at += 2 + size
    if walk.coding == 0:
        raise file.damaged("no frame header before the first scan")
    return walk


def _next_marker(file: FrameFile, walk: Walk, at: int) -> tuple[int, int]:
    """Offset and code of the next marker; zero bytes before it are noted as padding, other bytes are damage."""
    window = file.peek(at, MAX_PADDING)
    stray = len(window) - len(window.lstrip(b"\0"))
    rest = window[stray:]
    fill = len(rest) - len(rest.lstrip(b"\xff"))
    if len(rest) == fill:
        raise file.cut_short("a JPEG with picture data")
    if fill == 0:
        raise file.damaged(f"no marker at byte {at + stray}")
    if stray:
        walk.padding.append((at, stray))
    return at + stray + fill - 1, rest[fill]


def _wanted(marker: int) -> bool:
    return marker in (0xE0, 0xE1, 0xE2, 0xEE) or (0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC))


def _note_segment(file: FrameFile, walk: Walk, marker: int, data: bytes) -> None:
    if marker == 0xE1 and data[:5] == b"Exif\0" and not walk.exif:
        walk.exif = data[6:]
    elif marker == 0xE2 and data[:12] == b"ICC_PROFILE\0" and len(data) >= 14:
        walk.icc_parts[data[12]] = data[14:]
        walk.icc_count = data[13]
    elif marker == 0xE2 and data[:4] == b"MPF\0":
        walk.pictures = _picture_count(data[4:])
    elif marker == 0xE0 and data[:5] == b"JFIF\0" and len(data) >= 14:
        walk.jfif = data[5]
    elif marker == 0xEE and data[:5] == b"Adobe" and len(data) >= 12:
        walk.adobe_transform = data[11]
    elif 0xC0 <= marker <= 0xCF:
        if walk.coding:
            raise file.damaged("two frame headers")
        if len(data) < 6 or len(data) < 6 + 3 * data[5]:
            raise file.damaged("a frame header that is too short")
        walk.coding = marker
        walk.precision, walk.height, walk.width, count = struct.unpack_from(">BHHB", data)
        walk.components = tuple(data[6 + 3 * i] for i in range(count))
        walk.sampling = tuple(data[7 + 3 * i] for i in range(count))


def _picture_count(data: bytes) -> int:
    """Number of pictures in a multi-picture file (CIPA DC-007, tag 0xB001)."""

    def read(offset: int, size: int) -> bytes:
        return data[offset : offset + size] if offset >= 0 else b""

    form = read_form(read)
    if form is None:
        return 1
    tag = read_directory(read, form, form.first)[0].get(0xB001)
    values = tag.integers() if tag else []
    return values[0] if values else 1


def read_header(file: FrameFile, asked: int | None = None) -> tuple[FrameHeader, ExifBlock]:
    """Header and camera data of a JPEG; ``asked``: orientation in place of its own."""
    walk = walk_markers(file)
    _check_coding(file, walk)
    check_size(file, walk.width, walk.height, pixels_per_byte=PIXELS_PER_BYTE)
    block = block_from_bytes(walk.exif)
    stored = block.orientation()
    orientation, tagged = deciding(stored, asked)
    notes: tuple[str, ...] = ("the stored orientation makes no sense and is ignored",) if stored == 0 else ()
    icc, icc_notes = sound_profile(_profile(walk))
    notes += icc_notes
    if walk.pictures > 1:
        notes += (f"the first of {walk.pictures} pictures in the file is used",)
    if walk.padding or _ends_padded(file):
        notes += ("padding bytes before a marker were passed over",)
    width, height = walk.width, walk.height
    if swaps_sides(orientation):
        width, height = height, width
    header = FrameHeader(
        path=file.path,
        kind="jpeg",
        width=width,
        height=height,
        channels=len(walk.components),
        bits=8,
        stored_bits=8,
        orientation=orientation,
        icc=icc,
        camera=camera_data(block),
        in_parts=False,
        plain=None,
        notes=notes,
        decode_bytes=_decode_bytes(file, walk, orientation),
        halved=_halved(walk) if orientation == 1 else 0,
        tagged=tagged,
    )
    return header, block


def _check_coding(file: FrameFile, walk: Walk) -> None:
    remedy = EXPORT_AGAIN
    if walk.coding in _REFUSED_CODINGS:
        raise file.refused(_REFUSED_CODINGS[walk.coding], WANTED, remedy)
    if walk.precision != 8:
        raise file.refused(f"JPEG of {walk.precision} bits", WANTED, remedy)
    if len(walk.components) == 4:
        name = "YCCK" if walk.adobe_transform == 2 else "CMYK"
        raise file.refused(f"{name} colour (4 inks)", WANTED, remedy)
    if len(walk.components) not in (1, 3):
        raise file.refused(f"JPEG of {len(walk.components)} channels", WANTED, remedy)
    if walk.height == 0:
        raise file.refused("JPEG that states its height only after the data", WANTED, remedy)


def _profile(walk: Walk) -> bytes | None:
    """The ICC profile from its numbered APP2 chunks (ICC.1 annex B.4)."""
    if not walk.icc_parts:
        return None
    parts = [walk.icc_parts.get(number) for number in range(1, walk.icc_count + 1)]
    return b"missing" if None in parts else b"".join(part or b"" for part in parts)


def _ends_padded(file: FrameFile) -> bool:
    tail = file.peek(file.size - 4, 4)
    return tail == b"\0\0\xff\xd9"


def _halved(walk: Walk) -> int:
    """1 for chroma at half width, 2 at half width and height, 0 for anything else or where it is not sure to be chroma."""
    named = walk.adobe_transform == 1 or (walk.adobe_transform is None and walk.components == (1, 2, 3))
    if walk.jfif not in (None, 1) or not named or min(walk.width, walk.height) < LEAST_HALVED:
        return 0
    return next((k for k, first in ((1, 0x21), (2, 0x22)) if walk.sampling == (first, 0x11, 0x11)), 0)


def _decode_bytes(file: FrameFile, walk: Walk, orientation: int) -> int:
    pixels = walk.width * walk.height
    coefficients = 2 * 3 * pixels if walk.coding == 0xC2 else 0
    samples = 0 if orientation == 1 and len(walk.components) == 3 else pixels * len(walk.components)
    return file.size + coefficients + samples + (1 << 20)


def read_pixels(file: FrameFile, header: FrameHeader, out: Samples | None) -> Samples:
    """Decode the whole picture; anything that the decoder complains about is damage."""
    walk = walk_markers(file)
    data = _without_padding(file, walk)
    grey = header.channels == 1
    shape = (header.height, header.width, 3)
    check_out(out, shape, np.dtype(np.uint8))
    _check_scans(file, walk, data)
    direct = out if header.orientation == 1 and not grey else None
    samples = _decoded(file, walk, data, "GRAY" if grey else "RGB", direct)
    return finish(samples, header.orientation, out)


def read_chroma(file: FrameFile, header: FrameHeader, out: Samples | None) -> Samples:
    """Luma and chroma (h, w, 3) of a picture whose header has ``halved``; each sample of chroma is repeated where it is not.

    The decoder is told that the components are colours: then it converts nothing, and what it repeats is what is coded.
    """
    walk = walk_markers(file)
    check_out(out, (header.height, header.width, 3), np.dtype(np.uint8))
    head = bytes([0xFF, SOI]) + ADOBE_RGB + b"".join(file.read(at, size) for at, size in walk.tables)
    whole = np.empty(len(ADOBE_RGB) + file.size, np.uint8).data  # one copy of megabytes, in place of three
    data = whole[len(ADOBE_RGB) :]
    if walk.padding:
        data = memoryview(_without_padding(file, walk))
        plain = memoryview(head + data[walk.scan :])
    else:
        file.read_into(data)
        plain = whole[len(ADOBE_RGB) + walk.scan - len(head) :]
    _check_scans(file, walk, data)
    if not walk.padding:
        # what lay there is not needed: the segments before the scan, of which `head` has some
        plain[: len(head)] = head
    return _decoded(file, walk, plain, "RGB", out, fastupsample=True)


def _decoded(
    file: FrameFile,
    walk: Walk,
    data: bytes | memoryview,
    colours: str,
    out: Samples | None,
    *,
    fastupsample: bool = False,
) -> Samples:
    try:
        samples = simplejpeg.decode_jpeg(data, colours, buffer=out, fastupsample=fastupsample)
    except ValueError as error:
        if not _only_padding(data, str(error)):
            raise file.damaged(_plain_words(str(error))) from error
        samples = simplejpeg.decode_jpeg(data, colours, buffer=out, fastupsample=fastupsample, strict=False)
    if samples.shape[:2] != (walk.height, walk.width):
        raise file.damaged("a second frame header of another size")
    return np.asarray(samples)


def read_upper(file: FrameFile, header: FrameHeader, bottom: int) -> Samples | None:
    """The rows above ``bottom``, with some below them, for a file that was decoded as a whole before.

    A picture in one scan is coded from top to bottom, so its frame header may say that it ends early: the rows below are
    never decoded. Damage is not told from that end, so none is looked for. The same pixels as in the whole picture.

    Returns
    -------
    (rows, w, 3) uint8, rows >= bottom; None for a file that cannot be read so.
    """
    walk = walk_markers(file)
    if walk.coding not in (0xC0, 0xC1) or walk.padding or header.orientation != 1:
        return None
    data = bytearray(file.read(0, file.size))
    if data[walk.scan + 4] != len(walk.components):
        return None
    height = min(walk.height, -(-(bottom + MOST_BLOCK) // MOST_BLOCK) * MOST_BLOCK)
    data[walk.frame + 5 : walk.frame + 7] = height.to_bytes(2, "big")
    try:
        samples = simplejpeg.decode_jpeg(data, "GRAY" if header.channels == 1 else "RGB", strict=False)
    except ValueError as error:
        raise file.damaged(_plain_words(str(error))) from error
    return finish(samples, header.orientation, None)


def _without_padding(file: FrameFile, walk: Walk) -> bytes:
    data = file.read(0, file.size)
    for at, size in reversed(walk.padding):
        data = data[:at] + data[at + size :]
    walk.scan -= sum(size for _, size in walk.padding)
    return data


def _only_padding(data: bytes | memoryview, message: str) -> bool:
    """Whether the complaint is about bytes before the end marker that are all zero."""
    found = _LEFT_OVER.search(message)
    if found is None or int(found[1]) > MAX_PADDING:
        return False
    return b"\0" * int(found[1]) + b"\xff\xd9" in bytes(data)


def _plain_words(message: str) -> str:
    if "remature end" in message:
        return f"the picture data ends early: {message}"
    return message


def _check_scans(file: FrameFile, walk: Walk, data: bytes | memoryview) -> None:
    """See that a picture in several scans has them all: a missing one is decoded as grey or blurred, without a word."""
    if walk.coding != 0xC2 and data[walk.scan + 4 : walk.scan + 5] == bytes([len(walk.components)]):
        return
    todo = {(c, k) for c in walk.components for k in range(64 if walk.coding == 0xC2 else 1)}
    at = walk.scan
    while at >= 0 and todo and data[at + 1] != EOI:
        if data[at + 1] == SOS:
            todo -= _finished_by(data[at + 4 : at + 16], progressive=walk.coding == 0xC2)
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        found = _MARKER.search(data, at + 2 + size)
        at = found.end() - 2 if found and found.end() + 2 <= len(data) else -1
    if todo:
        raise file.damaged("the picture data ends early: scans are missing")


def _finished_by(scan: bytes | memoryview, *, progressive: bool) -> set[tuple[int, int]]:
    """Which coefficients of which components a scan completes."""
    count = scan[0] if scan else 0
    if len(scan) < 4 + 2 * count:
        return set()
    names = [scan[1 + 2 * i] for i in range(count)]
    if not progressive:
        return {(name, 0) for name in names}
    first, last, precision = scan[1 + 2 * count : 4 + 2 * count]
    return {(n, k) for n in names for k in range(first, last + 1)} if precision & 15 == 0 else set()
