"""Camera data and colour profile for rendered frames: an Exif block (Exif 3.0, TIFF 6.0) and an sRGB profile."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from functools import cache

from PIL import ImageCms

ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 2, 3, 4, 5, 7
SIZES = {ASCII: 1, SHORT: 2, LONG: 4, RATIONAL: 8, UNDEFINED: 1}
EXIF_IFD = 0x8769
Value = str | bytes | int | Fraction | tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Camera:
    """What the made-up camera writes into each frame; ``interval`` seconds from frame to frame."""

    make: str = "Ulmstead Works"
    model: str = "Bench 3"
    serial: str = "UW-000417"
    lens: str = "Ulmstead Flat 60/2.8"
    focal_length: Fraction = Fraction(60)
    f_number: Fraction = Fraction(28, 5)
    exposure: Fraction = Fraction(1, 125)
    iso: int = 200
    start: datetime = datetime(2031, 3, 14, 9, 26, 53, 580000)
    interval: float = 0.4
    orientation: int = 1
    distance: Fraction | None = None

    def tags(self, number: int) -> tuple[dict[int, tuple[int, Value]], dict[int, tuple[int, Value]]]:
        """Tags of the first directory and of the Exif directory for a frame's number from 0."""
        at = self.start + timedelta(seconds=number * self.interval)
        stamp = at.strftime("%Y:%m:%d %H:%M:%S")
        main: dict[int, tuple[int, Value]] = {
            0x010F: (ASCII, self.make),
            0x0110: (ASCII, self.model),
            0x0112: (SHORT, self.orientation),
            0x0132: (ASCII, stamp),
        }
        exif: dict[int, tuple[int, Value]] = {
            0x829A: (RATIONAL, self.exposure),
            0x829D: (RATIONAL, self.f_number),
            0x8827: (SHORT, self.iso),
            0x9000: (UNDEFINED, b"0232"),
            0x9101: (UNDEFINED, b"\1\2\3\0"),
            0xA000: (UNDEFINED, b"0100"),
            0xA001: (SHORT, 1),
            0x9003: (ASCII, stamp),
            0x9004: (ASCII, stamp),
            0x9290: (ASCII, f"{at.microsecond // 10000:02d}"),
            0x9291: (ASCII, f"{at.microsecond // 10000:02d}"),
            0x9292: (ASCII, f"{at.microsecond // 10000:02d}"),
            0x920A: (RATIONAL, self.focal_length),
            0xA431: (ASCII, self.serial),
            0xA434: (ASCII, self.lens),
        }
        if self.distance is not None:
            exif[0x9206] = (RATIONAL, self.distance)
        return main, exif


def _bytes(kind: int, value: Value) -> tuple[int, bytes]:
    if isinstance(value, str):
        data = value.encode("ascii") + b"\0"
        return len(data), data
    if isinstance(value, bytes):
        return len(value), value
    if isinstance(value, Fraction):
        return 1, struct.pack("<II", value.numerator, value.denominator)
    many = value if isinstance(value, tuple) else (value,)
    return len(many), struct.pack(f"<{len(many)}{'H' if kind == SHORT else 'I'}", *many)


def directory(tags: dict[int, tuple[int, Value]], at: int) -> bytes:
    """A TIFF directory that starts at offset ``at``, its long values behind it."""
    entries, behind = b"", b""
    start = at + 2 + 12 * len(tags) + 4
    for tag in sorted(tags):
        kind, value = tags[tag]
        count, data = _bytes(kind, value)
        if len(data) > 4:
            field = struct.pack("<I", start + len(behind))
            behind += data + b"\0" * (len(data) % 2)
        else:
            field = data.ljust(4, b"\0")
        entries += struct.pack("<HHI", tag, kind, count) + field
    return struct.pack("<H", len(tags)) + entries + b"\0\0\0\0" + behind


def exif_block(camera: Camera, number: int) -> bytes:
    """A little TIFF with both directories, as JPEG and PNG carry it."""
    main, exif = camera.tags(number)
    second = 8 + len(directory({**main, EXIF_IFD: (LONG, 0)}, 8))
    return b"II*\0\x08\0\0\0" + directory({**main, EXIF_IFD: (LONG, second)}, 8) + directory(exif, second)


@cache
def srgb_profile() -> bytes:
    """An sRGB profile whose creation date is fixed, so that files come out the same on every day."""
    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return made[:24] + struct.pack(">6H", 2031, 1, 1, 0, 0, 0) + made[36:]
