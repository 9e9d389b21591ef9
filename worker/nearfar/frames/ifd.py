"""Tag directories as TIFF 6.0 (section 2), BigTIFF and Exif use them: reading them leniently, writing them.

One reader serves TIFF files, Exif blocks and raw files. A tag that points outside the file, or has a type that is
not known, is left out; it never stops the file. Values are kept as little-endian bytes with their type, so that what
is carried into the result keeps its exact form.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

Read = Callable[[int, int], bytes]  # (offset, size) -> at most size bytes

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
IFD_POINTER, LONG8 = 13, 16
UTF8 = 129  # Exif 3.0
# Field types (TIFF 6.0 section 2, BigTIFF): how numbers are stored, bytes of one item, bytes to swap together.
_CODES = "1:u1 3:<u2 4:<u4 6:i1 7:u1 8:<i2 9:<i4 11:<f4 12:<f8 13:<u4 16:<u8 17:<i8 18:<u8"
_NUMBERS = {int(kind): code for kind, code in (pair.split(":") for pair in _CODES.split())}
_SIZES = {kind: int(code[-1]) for kind, code in _NUMBERS.items()} | {
    ASCII: 1,
    RATIONAL: 8,
    SRATIONAL: 8,
    UTF8: 1,
}
_WORDS = _SIZES | {RATIONAL: 4, SRATIONAL: 4}
MAX_VALUE = 64 << 20  # bytes of one tag's value
MAX_ENTRIES = 4096


@dataclass(frozen=True)
class Tag:
    """One value as stored: TIFF field type, number of items, and the items as little-endian bytes."""

    kind: int
    count: int
    raw: bytes

    def numbers(self) -> list[int] | list[float]:
        """The items of an integer or floating-point tag; empty for other types."""
        if self.kind not in _NUMBERS:
            return []
        values: list[int] | list[float] = np.frombuffer(self.raw, _NUMBERS[self.kind]).tolist()
        return values

    def integers(self) -> list[int]:
        """The items of an integer tag; empty for other types."""
        return [v for v in self.numbers() if isinstance(v, int)]

    def fractions(self) -> list[tuple[int, int]]:
        """Numerators and denominators of a (signed) rational tag; empty for other types."""
        if self.kind not in (RATIONAL, SRATIONAL):
            return []
        flat = np.frombuffer(self.raw, "<u4" if self.kind == RATIONAL else "<i4").tolist()
        return list(zip(flat[::2], flat[1::2], strict=True))

    def text(self) -> str:
        """The text up to the first NUL, without surrounding blanks; empty for types that hold no text."""
        if self.kind not in (ASCII, UTF8, BYTE, UNDEFINED):
            return ""
        raw = self.raw.split(b"\0", 1)[0]
        try:
            return raw.decode("utf-8").strip()
        except UnicodeDecodeError:
            return raw.decode("latin-1").strip()


Tags = dict[int, Tag]


def integers_of(tags: Tags, number: int) -> list[int]:
    """The items of an integer tag; empty if there is no such tag, or it has another type."""
    tag = tags.get(number)
    return tag.integers() if tag else []


def ascii_tag(text: str) -> Tag:
    """A text as TIFF stores it: NUL at the end; UTF-8 bytes if it is not plain ASCII."""
    raw = text.replace("\0", " ").encode("utf-8") + b"\0"
    return Tag(ASCII, len(raw), raw)


def short_tag(*values: int) -> Tag:
    """16-bit unsigned values."""
    return Tag(SHORT, len(values), struct.pack(f"<{len(values)}H", *values))


def long_tag(*values: int) -> Tag:
    """32-bit unsigned values."""
    return Tag(LONG, len(values), struct.pack(f"<{len(values)}I", *values))


def long8_tag(*values: int) -> Tag:
    """64-bit unsigned values (BigTIFF only)."""
    return Tag(LONG8, len(values), struct.pack(f"<{len(values)}Q", *values))


def rational_tag(*values: tuple[int, int]) -> Tag:
    """Unsigned fractions as (numerator, denominator)."""
    flat = [part for value in values for part in value]
    return Tag(RATIONAL, len(values), struct.pack(f"<{len(flat)}I", *flat))


def bytes_tag(raw: bytes, kind: int = UNDEFINED) -> Tag:
    """Opaque bytes."""
    return Tag(kind, len(raw), raw)


@dataclass(frozen=True)
class Form:
    """How a TIFF-like file spells numbers: byte order ('<' or '>'), BigTIFF or not, and its first directory."""

    order: str
    big: bool
    first: int


def read_form(read: Read) -> Form | None:
    """The form of a TIFF-like file, or None if the first bytes say something else.

    Besides 42 and 43 the magic numbers of raw files that are TIFF otherwise are taken (from memory: 0x55, 'RO', 'RS').
    """
    head = read(0, 16)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        return None
    (magic,) = struct.unpack_from(order + "H", head, 2)
    if magic == 43:
        if len(head) < 16 or struct.unpack_from(order + "HH", head, 4) != (8, 0):
            return None
        return Form(order, True, struct.unpack_from(order + "Q", head, 8)[0])
    if magic in (42, 0x55, 0x4F52, 0x5352, 0x524F):
        return Form(order, False, struct.unpack_from(order + "I", head, 4)[0])
    return None


def read_directory(read: Read, form: Form, offset: int) -> tuple[Tags, int]:
    """One directory's tags and the offset of the next one (0: none). Unreadable parts are left out."""
    count_code, entry_code, step = ("Q", "HHQ8s", 20) if form.big else ("H", "HHI4s", 12)
    width = struct.calcsize(form.order + count_code)
    head = read(offset, width) if offset > 0 else b""
    if len(head) < width:
        return {}, 0
    (count,) = struct.unpack(form.order + count_code, head)
    if count > MAX_ENTRIES:
        return {}, 0
    body = read(offset + width, count * step)
    tags: Tags = {}
    for at in range(0, len(body) - step + 1, step):
        number, kind, items, inline = struct.unpack_from(form.order + entry_code, body, at)
        tag = _read_tag(read, form, kind, items, inline)
        if tag is not None:
            tags.setdefault(number, tag)
    tail = read(offset + width + count * step, 8 if form.big else 4)
    following = int.from_bytes(tail, "little" if form.order == "<" else "big") if len(tail) in (4, 8) else 0
    return tags, following


def _read_tag(read: Read, form: Form, kind: int, items: int, inline: bytes) -> Tag | None:
    size = _SIZES.get(kind, 0) * items
    if size == 0 or size > MAX_VALUE:
        return None
    if size <= len(inline):
        raw = inline[:size]
    else:
        raw = read(int.from_bytes(inline, "little" if form.order == "<" else "big"), size)
        if len(raw) != size:
            return None
    return Tag(kind, items, raw if form.order == "<" else _swapped(kind, raw))


def _swapped(kind: int, raw: bytes) -> bytes:
    width = _WORDS.get(kind, 1)
    return raw if width == 1 else np.frombuffer(raw, f">u{width}").astype(f"<u{width}").tobytes()


def directory_bytes(tags: Mapping[int, Tag], base: int, *, big: bool = False) -> bytes:
    """A little-endian directory to be placed at file offset ``base`` (even), its values behind it, next pointer 0."""
    inline, entry, width = (8, "<HHQ", 8) if big else (4, "<HHI", 4)
    head = struct.pack("<Q" if big else "<H", len(tags))
    at = base + len(head) + len(tags) * (struct.calcsize(entry) + inline) + width
    at += at & 1
    entries, values = bytearray(), bytearray()
    for number in sorted(tags):
        tag = tags[number]
        entries += struct.pack(entry, number, tag.kind, tag.count)
        if len(tag.raw) <= inline:
            entries += tag.raw.ljust(inline, b"\0")
        else:
            entries += (at + len(values)).to_bytes(inline, "little")
            values += tag.raw + b"\0" * (len(tag.raw) & 1)
    block = head + bytes(entries) + b"\0" * width
    return block + b"\0" * ((base + len(block)) & 1) + bytes(values)
