"""Camera data as Exif stores it: finding it in a TIFF-like block, and what of it the result may carry.

Tag numbers and types follow Exif 3.0 (CIPA DC-008) and TIFF 6.0.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from nearfar.frames.ifd import (
    IFD_POINTER,
    LONG,
    LONG8,
    Read,
    Tags,
    bytes_tag,
    directory_bytes,
    long_tag,
    rational_tag,
    read_directory,
    read_form,
    short_tag,
)

EXIF_IFD, GPS_IFD = 0x8769, 0x8825
ORIENTATION = 0x0112
PIXEL_X, PIXEL_Y = 0xA002, 0xA003
# ImageDescription, Make, Model, Artist, HostComputer, Rating, Copyright, XPTitle..XPSubject
KEPT_IN_IMAGE = frozenset({0x010E, 0x010F, 0x0110, 0x013B, 0x013C, 0x4746, 0x8298, *range(0x9C9B, 0x9CA0)})
# Offsets in these point into the original file (maker note, interoperability, related sound), or they describe how
# the original's pixels are stored, or what the result states itself.
DROPPED_IN_EXIF = frozenset(
    {0x927C, 0xA005, 0xA004, 0xEA1C, 0xEA1D, 0x9101, 0x9102, PIXEL_X, PIXEL_Y, 0xA460, 0xA461, 0xA462}
)
# What Exif asks of every JPEG: X and Y resolution, their unit (inch), sample positions (centred).
_OF_A_JPEG: Tags = {
    0x011A: rational_tag((72, 1)),
    0x011B: rational_tag((72, 1)),
    0x0128: short_tag(2),
    0x0213: short_tag(1),
}
MAX_KEPT = 60_000  # bytes of one tag: what a JPEG segment could hold


@dataclass(frozen=True, kw_only=True)
class ExifBlock:
    """The tags of the main, the Exif and the GPS directory, with their types, values in little endian."""

    image: Tags = field(default_factory=dict)
    exif: Tags = field(default_factory=dict)
    gps: Tags = field(default_factory=dict)

    def orientation(self) -> int | None:
        """The stored orientation: None if there is none, 0 if the value makes no sense."""
        tag = self.image.get(ORIENTATION)
        if tag is None:
            return None
        values = tag.integers()
        return values[0] if len(values) == 1 and 1 <= values[0] <= 8 else 0


def block_from(read: Read) -> ExifBlock:
    """All tags of a TIFF-like block or file (its first directory); empty if it cannot be read."""
    form = read_form(read)
    if form is None:
        return ExifBlock()
    image, _ = read_directory(read, form, form.first)
    parts = {number: _follow(read, image, number) for number in (EXIF_IFD, GPS_IFD)}
    return ExifBlock(image=image, exif=parts[EXIF_IFD], gps=parts[GPS_IFD])


def block_from_bytes(data: bytes) -> ExifBlock:
    """As :func:`block_from`, of a block in memory; a leading ``Exif`` marker is skipped."""
    if data[:4] == b"Exif":
        data = data[6:]
    return block_from(lambda offset, size: data[offset : offset + size] if offset >= 0 and size > 0 else b"")


def _follow(read: Read, image: Tags, number: int) -> Tags:
    form = read_form(read)
    tag = image.get(number)
    if form is None or tag is None or tag.kind not in (LONG, IFD_POINTER, LONG8, 18) or tag.count != 1:
        return {}
    return read_directory(read, form, tag.integers()[0])[0]


def for_result(block: ExifBlock) -> ExifBlock:
    """The part of a frame's camera data that is still true of the result.

    Left out: maker notes and interoperability (their offsets point into the original), thumbnail, orientation, size,
    everything about how the original's pixels are stored, and values larger than a JPEG segment.
    """
    image = {n: t for n, t in block.image.items() if n in KEPT_IN_IMAGE and len(t.raw) <= MAX_KEPT}
    exif = {n: t for n, t in block.exif.items() if n not in DROPPED_IN_EXIF and len(t.raw) <= MAX_KEPT}
    gps = {n: t for n, t in block.gps.items() if len(t.raw) <= MAX_KEPT}
    return ExifBlock(image=image, exif=exif, gps=gps)


def block_bytes(block: ExifBlock, *, width: int, height: int, channels: int = 3) -> bytes:
    """A whole Exif block (TIFF form, little endian, upright) of a picture of that size, for JPEG's APP1."""
    exif = {0x9000: bytes_tag(b"0300"), **block.exif, PIXEL_X: long_tag(width), PIXEL_Y: long_tag(height)}
    exif.setdefault(0x9101, bytes_tag(b"\1\2\3\0" if channels == 3 else b"\1\0\0\0"))  # Y, Cb, Cr
    image = {**_OF_A_JPEG, **block.image, ORIENTATION: short_tag(1), EXIF_IFD: long_tag(0)}
    if block.gps:
        image[GPS_IFD] = long_tag(0)
    exif_at = 8 + _even(len(directory_bytes(image, 8)))
    exif_part = directory_bytes(exif, exif_at)
    gps_at = exif_at + _even(len(exif_part))
    image[EXIF_IFD] = long_tag(exif_at)
    if block.gps:
        image[GPS_IFD] = long_tag(gps_at)
    data = b"II*\0\x08\0\0\0" + directory_bytes(image, 8)
    data = data.ljust(exif_at, b"\0") + exif_part
    return data.ljust(gps_at, b"\0") + directory_bytes(block.gps, gps_at) if block.gps else data


def _even(size: int) -> int:
    return size + (size & 1)
