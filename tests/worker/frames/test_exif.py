"""Tag directories: read leniently in both byte orders and forms, written so that others read them, kept with types."""

from __future__ import annotations

import struct

import pytest
from PIL import Image

from nearfar.frames.exif import EXIF_IFD, GPS_IFD, ExifBlock, block_bytes, block_from_bytes, for_result
from nearfar.frames.ifd import (
    Tag,
    ascii_tag,
    bytes_tag,
    directory_bytes,
    long_tag,
    rational_tag,
    read_directory,
    read_form,
    short_tag,
)

TAGS = {
    0x010F: ascii_tag("Nordlys"),
    0x0110: ascii_tag("One"),
    0x0112: short_tag(6),
    0x011A: rational_tag((300, 1)),
    0x8298: ascii_tag("odd"),
    0x9286: bytes_tag(b"ASCII\0\0\0a note"),
    0xC614: short_tag(1, 2, 3),
}


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("base", [8, 16, 1000])
def test_a_directory_is_read_as_it_was_written(big: bool, base: int) -> None:
    head = struct.pack("<2sHHHQ", b"II", 43, 8, 0, base) if big else struct.pack("<2sHI", b"II", 42, base)
    data = head.ljust(base, b"\0") if base >= len(head) else head.ljust(16, b"\0")
    data += directory_bytes(TAGS, len(data), big=big)
    if base < len(head):
        data = data[:8] + (16).to_bytes(8, "little") + data[16:]

    def read(offset: int, size: int) -> bytes:
        return data[offset : offset + size]

    form = read_form(read)
    assert form is not None
    assert form.big == big
    assert read_directory(read, form, form.first) == (TAGS, 0)


def test_values_lie_at_even_offsets() -> None:
    """TIFF 6.0, section 2: values begin on a word boundary."""
    data = directory_bytes({0x010F: ascii_tag("12345"), 0x0110: ascii_tag("1234567")}, 8)
    offsets = [struct.unpack_from("<I", data, 2 + 12 * i + 8)[0] for i in range(2)]
    assert all(offset % 2 == 0 for offset in offsets)


def test_big_endian_values_become_little_endian() -> None:
    """A block written by hand in Motorola order: one short, one fraction, one text."""
    entries = struct.pack(">HHIHH", 0x0112, 3, 1, 6, 0)
    entries += struct.pack(">HHII", 0x011A, 5, 1, 8 + 2 + 36 + 4) + struct.pack(
        ">HHI4s", 0x0131, 2, 4, b"abc\0"
    )
    data = b"MM\0*\0\0\0\x08" + struct.pack(">H", 3) + entries + bytes(4) + struct.pack(">II", 72, 1)
    block = block_from_bytes(data)
    assert block.image[0x0112] == Tag(3, 1, b"\x06\x00")
    assert block.image[0x011A].fractions() == [(72, 1)]
    assert block.image[0x0131].text() == "abc"
    assert block.orientation() == 6


def test_what_no_longer_holds_is_left_out() -> None:
    block = ExifBlock(
        image=TAGS | {0x0201: long_tag(99), 0x0100: long_tag(7)},
        exif={
            0x927C: bytes_tag(b"maker's note"),
            0xA005: long_tag(8),
            0xA002: long_tag(56),
            0xA003: long_tag(40),
            0xA001: short_tag(1),
            0x829D: rational_tag((56, 10)),
            0x9286: bytes_tag(bytes(70_000)),
        },
        gps={1: ascii_tag("N")},
    )
    kept = for_result(block)
    assert set(kept.image) == {0x010F, 0x0110, 0x8298}
    assert set(kept.exif) == {0xA001, 0x829D}
    assert kept.gps == block.gps


def test_a_whole_block_is_read_by_pillow() -> None:
    block = ExifBlock(
        image={0x010F: ascii_tag("Nordlys")},
        exif={0x829D: rational_tag((56, 10)), 0x9204: Tag(10, 1, struct.pack("<ii", -1, 3))},
        gps={1: ascii_tag("N"), 2: rational_tag((61, 1), (30, 1), (0, 1))},
    )
    exif = Image.Exif()
    exif.load(b"Exif\0\0" + block_bytes(block, width=300, height=200))
    assert exif[0x010F] == "Nordlys"
    assert exif[0x0112] == 1
    details, place = exif.get_ifd(EXIF_IFD), exif.get_ifd(GPS_IFD)
    assert (details[0xA002], details[0xA003]) == (300, 200)
    assert float(details[0x829D]) == pytest.approx(5.6)
    assert float(details[0x9204]) == pytest.approx(-1 / 3)
    assert tuple(map(float, place[2])) == (61.0, 30.0, 0.0)


@pytest.mark.parametrize("value", [0, 9, 65535])
def test_an_impossible_orientation_is_told_from_none(value: int) -> None:
    assert ExifBlock(image={0x0112: short_tag(value)}).orientation() == 0
    assert ExifBlock().orientation() is None
