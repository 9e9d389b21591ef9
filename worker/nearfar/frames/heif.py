"""HEIF frames through libheif, if the extra 'heif' is installed.

libheif applies the turns that the file prescribes; by the standard (ISO/IEC 23008-12) the Exif orientation in such a
file is only a copy and must not be applied again.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np

from nearfar.frames.camera import camera_data
from nearfar.frames.colour import sound_profile
from nearfar.frames.exif import ExifBlock, block_from_bytes
from nearfar.frames.headers import FrameHeader
from nearfar.frames.orient import Samples, check_out, finish
from nearfar.frames.source import EXPORT_AGAIN, FrameFile, check_size

_ON_BAD_DATA = (ValueError, RuntimeError, EOFError, OSError, SyntaxError, LookupError)
WANTED = "an HEIF picture that libheif can decode"
PIXELS_PER_BYTE = 20_000


def _heif(file: FrameFile) -> ModuleType:
    try:
        import pillow_heif  # a tenth of a second that no other kind of frame should cost
    except ImportError as error:
        raise file.refused(
            "an HEIF picture, for which no decoder is installed",
            "the extra 'heif' to be installed",
            "Run: pip install 'nearfar[heif]', or export the frame as TIFF.",
        ) from error
    return pillow_heif


def _open(file: FrameFile) -> Any:
    library = _heif(file)
    try:
        return library.open_heif(file.read(0, file.size), convert_hdr_to_8bit=False)
    except _ON_BAD_DATA as error:
        found = f"an HEIF file that cannot be read ({error})"
        raise file.refused(found, WANTED, EXPORT_AGAIN) from error


def read_header(file: FrameFile, asked: int | None = None) -> tuple[FrameHeader, ExifBlock]:
    """Header and camera data of an HEIF picture, which no other orientation can be asked for."""
    del asked
    picture = _open(file)
    width, height = picture.size
    check_size(file, width, height, pixels_per_byte=PIXELS_PER_BYTE)
    depth = int(picture.info.get("bit_depth") or 8)
    grey = str(picture.mode).startswith(("L", "I"))
    icc, icc_notes = sound_profile(picture.info.get("icc_profile"))
    block = block_from_bytes(picture.info.get("exif") or b"")
    samples = width * height * (4 if picture.has_alpha else 3) * (2 if depth > 8 else 1)
    header = FrameHeader(
        path=file.path,
        kind="heif",
        width=width,
        height=height,
        channels=1 if grey else 3,
        bits=16 if depth > 8 else 8,
        stored_bits=depth,
        orientation=1,
        icc=icc,
        camera=camera_data(block),
        in_parts=False,
        plain=None,
        notes=(*_notes(picture), *icc_notes),
        decode_bytes=file.size + 3 * samples,
    )
    return header, block


def _notes(picture: Any) -> tuple[str, ...]:
    notes = []
    if len(picture) > 1:
        notes.append(f"the main one of {len(picture)} pictures in the file is used")
    if picture.has_alpha:
        notes.append("transparency is left alone")
    return tuple(notes)


def read_pixels(file: FrameFile, header: FrameHeader, out: Samples | None) -> Samples:
    """Decode the whole picture; 10- and 12-bit samples are spread over the full 16-bit range."""
    check_out(out, (header.height, header.width, 3), np.dtype(f"u{header.bits // 8}"))
    picture = _open(file)
    try:
        samples = np.asarray(picture)
    except _ON_BAD_DATA as error:
        raise file.damaged(str(error)) from error
    if samples.shape[:2] != (header.height, header.width):
        raise file.damaged("the pixels do not match the header")
    if samples.ndim == 3 and header.channels == 1:
        samples = samples[:, :, :1]
    if header.bits == 16:
        samples = _spread(header.stored_bits)[samples >> (16 - header.stored_bits)]
    return finish(samples, header.orientation, out)


def _spread(depth: int) -> Samples:
    """Values of ``depth`` bits as 16-bit ones, white to white."""
    top = (1 << depth) - 1
    return ((np.arange(top + 1, dtype=np.uint32) * 65535 + top // 2) // top).astype(np.uint16)
