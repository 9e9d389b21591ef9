"""The entry point for picture files: finds out by content what a file is, reads its header, decodes it.

Whatever a decoder raises ends here as FrameRefused with the cause chained; decoders that only warn are not trusted.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from nearfar.errors import FrameRefused
from nearfar.frames import heif, jpeg, png, raw, tiff, tiff_pixels
from nearfar.frames.correction import correct_rows
from nearfar.frames.exif import ExifBlock, for_result
from nearfar.frames.headers import AS_SHOT, FrameHeader
from nearfar.frames.ifd import read_form
from nearfar.frames.orient import Samples
from nearfar.frames.source import COPY_AGAIN, FrameFile, opened

_ON_BAD_DATA = (ValueError, LookupError, ArithmeticError, TypeError, EOFError, RuntimeError, struct.error)
KNOWN = "a JPEG, PNG, TIFF, HEIF or camera raw file"


@dataclass(frozen=True)
class Family:
    """How one kind of file is read."""

    header: Callable[[FrameFile, int | None], tuple[FrameHeader, ExifBlock]]
    """Of a file, to be brought upright by another orientation than its own if one is asked for."""
    pixels: Callable[[FrameFile, FrameHeader, Samples | None], Samples]


FAMILIES = {
    "jpeg": Family(jpeg.read_header, jpeg.read_pixels),
    "png": Family(png.read_header, png.read_pixels),
    "tiff": Family(tiff.read_header, tiff_pixels.read_pixels),
    "raw": Family(raw.read_header, raw.read_pixels),
    "heif": Family(heif.read_header, heif.read_pixels),
}


def kind_of(file: FrameFile) -> str:
    """What a file is, by its first bytes; its name is only asked where raw and TIFF share their form."""
    head = file.peek(0, 32)
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:8] == png.SIGNATURE:
        return "png"
    if raw.looks_raw(file, head):
        return "raw"
    if read_form(file.peek) is not None:
        return "tiff"
    if head[4:8] == b"ftyp":
        return "heif"
    raise file.refused(_unknown(file, head), KNOWN, "Leave it out, or export the frame as TIFF.")


def _unknown(file: FrameFile, head: bytes) -> str:
    if not head.strip(b"\0"):
        return f"a file that begins with zeros ({file.size} bytes)"
    if png.SIGNATURE.startswith(head) or head in (b"\xff\xd8", b"\xff", b"II*\0", b"MM\0*"):
        return f"a picture that ends after {file.size} bytes"
    text = all(byte in b"\t\n\r" or 32 <= byte < 127 for byte in head)
    return "a text file" if text else f"an unknown kind of file (it begins with {head[:8].hex(' ')})"


@contextmanager
def refusing(file: FrameFile) -> Iterator[None]:
    """Turn what a parser or decoder raises on bad data into a refusal."""
    try:
        yield
    except _ON_BAD_DATA as error:
        raise FrameRefused(
            file.path,
            found=f"damaged data ({type(error).__name__}: {error})",
            expected="an undamaged file",
            remedy=COPY_AGAIN,
        ) from error


def _inspect(path: Path | str, orientation: int | None = None) -> tuple[FrameHeader, ExifBlock]:
    with opened(path) as file, refusing(file):
        return FAMILIES[kind_of(file)].header(file, orientation)


def read_header(path: Path | str, orientation: int | None = None) -> FrameHeader:
    """What a file says of itself, without decoding pixels.

    Parameters
    ----------
    orientation
        1..8: by which it is brought upright in place of its own. HEIF files, which are turned by their decoder, do not
        obey it.

    Raises
    ------
    FrameRefused
        If it is no picture, damaged, or of a kind that is not supported.
    """
    return _inspect(path, orientation)[0]


def is_picture(path: Path | str) -> bool:
    """Whether a file begins like a picture of a kind that is read here, whatever state the rest is in."""
    try:
        with opened(path) as file:
            kind_of(file)
    except FrameRefused:
        return False
    return True


def exif_block(header: FrameHeader) -> ExifBlock:
    """The camera data of a frame that its result may carry, read again from the file."""
    return for_result(_inspect(header.path)[1])


def decode(header: FrameHeader, out: Samples | None = None) -> Samples:
    """Decode a frame, upright.

    Parameters
    ----------
    header
        From :func:`read_header`.
    out
        (h, w, 3) array of the header's depth to decode into, C-contiguous.

    Returns
    -------
    (h, w, 3) uint8 or uint16, C-contiguous RGB; greyscale repeated to three equal planes.

    Raises
    ------
    FrameRefused
        On any damage, or if the file is another than the header describes.
    """
    with opened(header.path) as file, refusing(file):
        same_file(file, header)
        samples = FAMILIES[header.kind].pixels(file, header, out)
        if header.correction is None or header.kind == "raw":
            return samples  # a raw frame was corrected before its development
        return correct_rows(header.correction, samples, 0, header.icc)


def decode_chroma(header: FrameHeader, out: Samples | None = None) -> Samples:
    """Luma and chroma (h, w, 3) uint8 of a frame whose header has ``halved``: see `jpeg.read_chroma`.

    Raises
    ------
    FrameRefused
        As `decode`.
    """
    with opened(header.path) as file, refusing(file):
        same_file(file, header)
        return jpeg.read_chroma(file, header, out)


def decode_upper(header: FrameHeader, bottom: int) -> Samples:
    """Decode a frame from its top down to a row, or all of it if its file knows no other way.

    For a frame that was decoded as a whole before and whose file is known to be the same still: damage below the row is
    not seen.

    Returns
    -------
    (rows, w, 3) as `decode` gives them, rows >= bottom.

    Raises
    ------
    FrameRefused
        On damage above, or if the file is another than the header describes.
    """
    if header.kind != "jpeg" or bottom >= header.height:
        return decode(header)
    with opened(header.path) as file, refusing(file):
        same_file(file, header)
        samples = jpeg.read_upper(file, header, bottom)
        if samples is not None:
            correction = header.correction
            return samples if correction is None else correct_rows(correction, samples, 0, header.icc)
    return decode(header)


def same_file(file: FrameFile, header: FrameHeader) -> None:
    """Refuse a file that was exchanged since its header was read."""
    found = (
        FAMILIES[header.kind].header(file, header.orientation)[0] if kind_of(file) == header.kind else None
    )
    if found is None or _as_stored(found) != _as_stored(header):
        raise file.refused(
            "other contents than a moment ago",
            "a file that stays as it is while it is worked on",
            "Wait until it has arrived completely, then start again.",
        )


def _as_stored(header: FrameHeader) -> FrameHeader:
    """A header without what does not come from the file but from how it is to be read."""
    if header.kind == "raw":
        header = replace(header, icc=None, notes=(), development=AS_SHOT)
    return replace(header, plain=None, correction=None)


def decode_cost(header: FrameHeader) -> int:
    """Peak bytes that :func:`decode`, or reading rows, takes beyond its output."""
    return header.decode_bytes
