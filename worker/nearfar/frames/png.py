"""PNG frames (W3C PNG specification, third edition): chunks walked and checked here, pixels by libpng."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

import imagecodecs
import numpy as np

from nearfar.frames.camera import camera_data
from nearfar.frames.colour import sound_profile
from nearfar.frames.exif import ExifBlock, block_from_bytes
from nearfar.frames.headers import FrameHeader
from nearfar.frames.orient import Samples, check_out, deciding, finish, swaps_sides
from nearfar.frames.source import EXPORT_AGAIN, FrameFile, check_size

SIGNATURE = b"\x89PNG\r\n\x1a\n"
WANTED = "8- or 16-bit RGB or greyscale PNG"
DEFLATE_LIMIT = 1032  # most bytes that one byte of Deflate data can become
_CHANNELS = {0: 1, 2: 3, 4: 2, 6: 4}
_KEPT_CHUNKS = (b"IHDR", b"iCCP", b"eXIf", b"tRNS", b"acTL", b"cICP")
MAX_KEPT_CHUNK = 16 << 20


@dataclass
class Chunks:
    """The chunks before and around the picture data."""

    kept: dict[bytes, bytes] = field(default_factory=dict)
    data_bytes: int = 0
    ended: bool = False


def _walk(file: FrameFile) -> Iterator[tuple[bytes, int, int]]:
    """(name, offset of the contents, size) of every chunk up to the end chunk; a chunk that is cut short is refused."""
    at = len(SIGNATURE)
    while True:
        head = file.peek(at, 8)
        if len(head) < 8:
            raise file.cut_short("a PNG with its end chunk")
        size, name = struct.unpack(">I4s", head)
        if not name.isalpha():
            raise file.damaged(f"no chunk at byte {at}")
        if at + 12 + size > file.size:
            raise file.cut_short(f"{at + 12 + size} bytes")
        yield name, at + 8, size
        if name == b"IEND":
            return
        at += 12 + size


def _chunks(file: FrameFile) -> Chunks:
    chunks = Chunks()
    for name, at, size in _walk(file):
        if not chunks.kept and name != b"IHDR":
            raise file.damaged("the first chunk is not the header")
        if name in _KEPT_CHUNKS and size <= MAX_KEPT_CHUNK:
            chunks.kept.setdefault(name, _checked(file, name, at, size))
        chunks.data_bytes += size if name == b"IDAT" else 0
    if chunks.data_bytes == 0:
        raise file.damaged("no picture data")
    return chunks


def _checked(file: FrameFile, name: bytes, at: int, size: int) -> bytes:
    data = file.read(at, size) if size else b""
    (stored,) = struct.unpack(">I", file.read(at + size, 4))
    if zlib.crc32(data, zlib.crc32(name)) != stored:
        raise file.damaged(f"chunk {name.decode('ascii')} at byte {at - 8} does not match its checksum")
    return data


def read_header(file: FrameFile, asked: int | None = None) -> tuple[FrameHeader, ExifBlock]:
    """Header and camera data of a PNG; ``asked``: orientation in place of its own."""
    chunks = _chunks(file)
    head = chunks.kept[b"IHDR"]
    if len(head) != 13:
        raise file.damaged("a header chunk of the wrong size")
    width, height, bits, colour, _, _, interlace = struct.unpack(">IIBBBBB", head)
    _check_coding(file, bits, colour)
    channels = _CHANNELS[colour]
    check_size(file, width, height, pixels_per_byte=DEFLATE_LIMIT * 8 / (bits * channels))
    icc, icc_notes = sound_profile(_profile(file, chunks.kept.get(b"iCCP")))
    block = block_from_bytes(chunks.kept.get(b"eXIf", b""))
    stored = block.orientation()
    orientation, tagged = deciding(stored, asked)
    raw_bytes = width * height * channels * bits // 8
    shown = (height, width) if swaps_sides(orientation) else (width, height)
    header = FrameHeader(
        path=file.path,
        kind="png",
        width=shown[0],
        height=shown[1],
        channels=3 if colour in (2, 6) else 1,
        bits=bits,
        stored_bits=bits,
        orientation=orientation,
        icc=icc,
        camera=camera_data(block),
        in_parts=False,
        plain=None,
        notes=(*_notes(chunks, colour, stored), *icc_notes),
        decode_bytes=2 * file.size + raw_bytes * (2 if interlace else 1) + (1 << 20),
        tagged=tagged,
    )
    return header, block


def _check_coding(file: FrameFile, bits: int, colour: int) -> None:
    if colour == 3:
        raise file.refused("palette colour", WANTED, EXPORT_AGAIN)
    if colour not in _CHANNELS:
        raise file.damaged(f"colour type {colour}")
    if bits not in (8, 16):
        raise file.refused(f"{bits}-bit samples", WANTED, EXPORT_AGAIN)


def _notes(chunks: Chunks, colour: int, stored: int | None) -> tuple[str, ...]:
    notes = []
    if colour in (4, 6) or b"tRNS" in chunks.kept:
        notes.append("transparency is left alone")
    if b"acTL" in chunks.kept:
        notes.append("an animation: its still picture is used")
    if b"cICP" in chunks.kept:
        notes.append("the colour description in chunk cICP is left alone")
    if stored == 0:
        notes.append("the stored orientation makes no sense and is ignored")
    return tuple(notes)


def _profile(file: FrameFile, chunk: bytes | None) -> bytes | None:
    if chunk is None:
        return None
    _, _, packed = chunk.partition(b"\0")
    unpacker = zlib.decompressobj()
    try:
        profile = unpacker.decompress(packed[1:], MAX_KEPT_CHUNK)
    except zlib.error as error:
        raise file.damaged(f"the colour profile cannot be unpacked: {error}") from error
    return profile or None


def read_pixels(file: FrameFile, header: FrameHeader, out: Samples | None) -> Samples:
    """Decode the whole picture, after every chunk was checked against its checksum."""
    dtype = np.dtype(np.uint8 if header.bits == 8 else np.uint16)
    check_out(out, (header.height, header.width, 3), dtype)
    data = _bare(file)
    direct = out if header.orientation == 1 and data[25] == 2 else None
    try:
        samples = imagecodecs.png_decode(data, out=direct)
    except imagecodecs.PngError as error:
        raise file.damaged(str(error)) from error
    if samples.shape[1::-1] != header.stored_size or samples.dtype != dtype:
        raise file.damaged("the pixels do not match the header")
    if header.channels == 1 and samples.ndim == 3:
        samples = samples[:, :, :1]
    return finish(samples, header.orientation, out)


def _bare(file: FrameFile) -> bytes:
    """The file with nothing but header, picture data and end, all checked: the decoder prints what it thinks of others.

    Without the transparency chunk, RGB stays three channels.
    """
    pieces = [SIGNATURE]
    for name, at, size in _walk(file):
        if name in (b"IHDR", b"IDAT", b"IEND"):
            contents = _checked(file, name, at, size)
            pieces += [
                struct.pack(">I", size),
                name,
                contents,
                struct.pack(">I", zlib.crc32(contents, zlib.crc32(name))),
            ]
    return b"".join(pieces)
