"""Maker notes of six makers, built byte by byte: places and meanings as exiftool's tables list them."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

from tests.scenes.tags import ASCII, EXIF_IFD, LONG, SHORT, UNDEFINED, directory
from tests.worker.frames.makers import jpeg_bytes, picture

MAKER_NOTE = 0x927C
Note = Callable[[int], bytes]
"""Bytes of a note that lies at an offset from the TIFF header."""


def block(make: str, note: Note) -> bytes:
    """An Exif block (little endian) of a maker with its note behind everything else."""
    exif_at = 8 + len(directory({0x010F: (ASCII, make), EXIF_IFD: (LONG, 0)}, 8))
    at = exif_at + 2 + 12 + 4
    size = len(note(at))
    entry = struct.pack("<HHHII", 1, MAKER_NOTE, UNDEFINED, size, at) + b"\0\0\0\0"
    head = b"II*\0\x08\0\0\0" + directory({0x010F: (ASCII, make), EXIF_IFD: (LONG, exif_at)}, 8)
    return head + entry + note(at)


def write(path: Path, make: str, note: Note) -> Path:
    """A small JPEG with that block."""
    body = jpeg_bytes(picture())
    app1 = b"Exif\0\0" + block(make, note)
    path.write_bytes(body[:2] + b"\xff\xe1" + struct.pack(">H", len(app1) + 2) + app1 + body[2:])
    return path


def _counted(*values: int) -> tuple[int, ...]:
    """Shorts behind their own size in bytes."""
    return (2 * (len(values) + 1), *(v & 0xFFFF for v in values))


def canon(*, near: int = 31, far: int = 33, mode: int = 2) -> Note:
    shot = [0] * 33
    shot[18], shot[19] = far, near
    file = [0] * 32
    file[2], file[4], file[19], file[20] = mode, 7, far, near
    return lambda at: directory(
        {
            0x0004: (SHORT, _counted(*shot)),
            0x000C: (LONG, 417_000_123),
            0x0093: (SHORT, _counted(*file)),
        },
        at,
    )


def nikon(*, mode: int = 0x11) -> Note:
    inner = directory({0x001D: (ASCII, "3001234"), 0x0089: (SHORT, mode)}, 8)
    return lambda _at: b"Nikon\0\x02\x10\0\0II*\0\x08\0\0\0" + inner


def olympus(
    head: bytes = b"OLYMPUS\0II\x03\0", *, bits: int = 0x40, distance: tuple[int, int] = (312, 1)
) -> Note:
    def inner(at: int) -> bytes:
        top = {0x2010: (LONG, 0), 0x2020: (LONG, 0), 0x2050: (LONG, 0)}
        first = at + len(directory(top, at))  # type: ignore[arg-type]
        equipment = directory({0x0101: (ASCII, "BJ7A12345")}, first)
        second = first + len(equipment)
        settings = directory({0x0600: (SHORT, (5, 4, bits))}, second)
        third = second + len(settings)
        focus = (
            struct.pack("<HHHII", 1, 0x0305, 5, 1, third + 18) + b"\0\0\0\0" + struct.pack("<II", *distance)
        )
        pointers = {0x2010: (LONG, first), 0x2020: (LONG, second), 0x2050: (LONG, third)}
        return directory(pointers, at) + equipment + settings + focus  # type: ignore[arg-type]

    return lambda _at: head + inner(len(head))


def panasonic(*, mode: int = 3, shot: int = 5) -> Note:
    return lambda at: b"Panasonic\0\0\0" + directory({0x002A: (SHORT, mode), 0x002B: (LONG, shot)}, at + 12)


def sony(*, mode: int = 5, shot: int = 2) -> Note:
    return lambda at: b"SONY DSC \0\0\0" + directory({0xB049: (SHORT, mode), 0xB04A: (SHORT, shot)}, at + 12)


def fujifilm(*, shot: int = 9) -> Note:
    return lambda _at: b"FUJIFILM" + struct.pack("<I", 12) + directory({0x1101: (SHORT, shot)}, 12)
