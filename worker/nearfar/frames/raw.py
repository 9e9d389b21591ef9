"""Camera raw frames and DNG through LibRaw: one development, the same for every frame.

Nothing in it depends on the picture: no automatic brightness, no white level taken from the brightest pixel, no crop,
no noise reduction, no sharpening. White balance is the one that the camera wrote into the file, unless `developed` asks
for another; output is 16 bits with the primaries of sRGB, encoded by its curve or in linear light.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import FrameRefused
from nearfar.frames import tiff_tags
from nearfar.frames.camera import camera_data
from nearfar.frames.colour import linear_grey_profile, srgb_profile
from nearfar.frames.correction import correct_mosaic, mosaic_light
from nearfar.frames.exif import ExifBlock, block_from, block_from_bytes
from nearfar.frames.headers import Development, Factors, FrameHeader
from nearfar.frames.ifd import Tags, integers_of, read_directory, read_form
from nearfar.frames.orient import Samples, check_out, deciding, finish, swaps_sides
from nearfar.frames.source import EXPORT_AGAIN, FrameFile, check_size

if TYPE_CHECKING:
    import rawpy

WANTED = "a raw file that LibRaw can develop"
SRGB_GAMMA = (2.4, 12.92)  # exponent and slope at black, IEC 61966-2-1
LINEAR = (1.0, 1.0)
WITHOUT_MASTERS = "Leave dark and flat out of the recipe, or export all of them as TIFF."
PIXELS_PER_BYTE = 4000
_SENSOR_DATA = (32803, 34892)
"""Photometric interpretations of data that are still to be developed: a mosaic, and linear light (DNG specification)."""
_PLACES = (
    (tiff_tags.STRIP_OFFSETS, tiff_tags.STRIP_BYTE_COUNTS),
    (tiff_tags.TILE_OFFSETS, tiff_tags.TILE_BYTE_COUNTS),
    (tiff_tags.JPEG_INTERCHANGE_FORMAT, tiff_tags.JPEG_INTERCHANGE_FORMAT_LENGTH),
)
"""Tags with offsets of picture data, and with their sizes."""
# Kinds that look like TIFF at the start and are told apart by name only (from memory).
SUFFIXES = frozenset(
    {
        ".3fr",
        ".arw",
        ".cr2",
        ".dcr",
        ".dng",
        ".erf",
        ".fff",
        ".iiq",
        ".kdc",
        ".mef",
        ".mos",
        ".nef",
        ".nrw",
        ".pef",
    }
    | {".rwl", ".sr2", ".srf", ".srw"}
)
_TIFF_MAGIC = (b"*\0", b"\0*", b"+\0", b"\0+")
_FLIPS = {0: 1, 3: 3, 5: 8, 6: 6}  # LibRaw's turn (3: 180, 5: 90 left, 6: 90 right) as Exif orientation


def looks_raw(file: FrameFile, head: bytes) -> bool:
    """Whether the first bytes, or the tags of a TIFF-like file, say camera raw."""
    if head[:15] == b"FUJIFILMCCD-RAW" or head[:4] == b"FOVb" or head[4:12] == b"ftypcrx ":
        return True
    form = read_form(file.peek)
    if form is None:
        return False
    if head[2:4] not in _TIFF_MAGIC:
        return True
    if head[8:10] == b"CR" or file.path.suffix.lower() in SUFFIXES:
        return True
    found = directories(file)
    return any(tiff_tags.DNG_VERSION in tags for tags in found[:1]) or any(
        tags[tiff_tags.PHOTOMETRIC].integers()[:1] in ([_SENSOR_DATA[0]], [_SENSOR_DATA[1]])
        for tags in found[1:]
        if tiff_tags.PHOTOMETRIC in tags
    )


def directories(file: FrameFile) -> list[Tags]:
    """All tag directories of a TIFF-like file, sub-directories included."""
    form = read_form(file.peek)
    todo = [form.first] if form else []
    seen: set[int] = set()
    found: list[Tags] = []
    while form and todo and len(found) < 100:
        at = todo.pop(0)
        if at in seen:
            continue
        seen.add(at)
        tags, following = read_directory(file.peek, form, at)
        found.append(tags)
        todo += integers_of(tags, tiff_tags.SUB_IFDS)
        todo += [following] if following else []
    return found


def _check_complete(file: FrameFile) -> None:
    """Refuse a TIFF-like raw file whose strips or tiles reach beyond its end, before LibRaw complains aloud.

    Files of another magic number are left to LibRaw: some have placeholders in these tables.
    """
    if file.peek(2, 2) not in _TIFF_MAGIC:
        return
    for tags in directories(file):
        for where, length in _PLACES:
            offsets = integers_of(tags, where)
            sizes = integers_of(tags, length)
            for offset, size in zip(offsets, sizes, strict=False):
                if offset + size > file.size:
                    raise file.cut_short(f"at least {offset + size} bytes")


@contextmanager
def _libraw(file: FrameFile) -> Iterator[rawpy.RawPy]:
    import rawpy

    try:
        with rawpy.RawPy() as opened:
            opened.open_file(str(file.path))
            yield opened
    except rawpy.LibRawError as error:
        text = error.args[0] if error.args else error
        reason = text.decode("ascii", "replace") if isinstance(text, bytes) else str(text)
        raise file.refused(f"a raw file that cannot be read ({reason})", WANTED, EXPORT_AGAIN) from error


def read_header(file: FrameFile, asked: int | None = None) -> tuple[FrameHeader, ExifBlock]:
    """Header and camera data of a raw file; ``asked``: orientation in place of its own."""
    _check_complete(file)
    block = exif_of(file)
    with _libraw(file) as opened:
        sizes, white, colours = opened.sizes, int(opened.white_level), int(opened.num_colors)
        balance = [float(v) for v in opened.camera_whitebalance]
    if sizes.pixel_aspect != 1.0:
        raise file.refused("a sensor whose pixels are not square", WANTED, EXPORT_AGAIN)
    check_size(file, sizes.width, sizes.height, pixels_per_byte=PIXELS_PER_BYTE)
    orientation, tagged = deciding(_FLIPS.get(sizes.flip, 1), asked)
    width, height = sizes.width, sizes.height
    if swaps_sides(orientation):
        width, height = height, width
    header = FrameHeader(
        path=file.path,
        kind="raw",
        width=width,
        height=height,
        channels=3 if colours >= 3 else 1,
        bits=16,
        stored_bits=max(8, min(white.bit_length(), 16)),
        orientation=orientation,
        icc=srgb_profile() if colours >= 3 else None,
        camera=camera_data(block),
        in_parts=False,
        plain=None,
        notes=(_told(_factors(balance)),),
        as_shot=_factors(balance),
        decode_bytes=file.size + sizes.raw_width * sizes.raw_height * 2 + sizes.width * sizes.height * 16,
        tagged=tagged,
    )
    return header, block


def _factors(found: list[float]) -> Factors | None:
    """The white balance of a file; None if it carries none."""
    if len(found) < 4 or min(found[:3]) <= 0:
        return None
    return (found[0], found[1], found[2], found[3] if found[3] > 0 else found[1])


def developed(header: FrameHeader, balance: Factors | None, *, linear: bool) -> FrameHeader:
    """The header of a raw frame, to be developed in this way; any other header unchanged.

    Parameters
    ----------
    balance
        Factors of red, green, blue and the second green; None leaves each file its own.
    linear
        Whether samples are in linear light.
    """
    if header.kind != "raw":
        return header
    grey = header.channels == 1
    own = balance is None or grey or balance == header.as_shot
    profile = (linear_grey_profile() if linear else None) if grey else srgb_profile(linear=linear)
    return replace(
        header,
        icc=profile,
        development=Development(balance=None if own else balance, linear=linear),
        notes=(
            _told(header.as_shot if balance is None else balance, one=balance is not None, linear=linear),
        ),
    )


def _told(balance: Factors | None, *, one: bool = False, linear: bool = False) -> str:
    """How it is developed, with the factors of red and blue against green."""
    whose = "one white balance for all raw frames" if one else "the white balance in the file"
    text = f"developed to 16-bit sRGB{' in linear light' if linear else ''} with {whose}"
    if balance is None:
        return text
    return f"{text} (red {balance[0] / balance[1]:.3f}, blue {balance[2] / balance[1]:.3f})"


def exif_of(file: FrameFile) -> ExifBlock:
    """Camera data from a TIFF-like raw file, the JPEG inside a RAF (offset at byte 84, from memory), or boxes."""
    if file.peek(4, 8) == b"ftypcrx ":
        return _boxed_exif(file)
    if file.peek(0, 15) != b"FUJIFILMCCD-RAW":
        return block_from(file.peek)
    start = int.from_bytes(file.peek(84, 4), "big")
    head = file.peek(start, 1 << 16)
    at = head.find(b"Exif\0\0")
    return block_from_bytes(head[at:]) if 0 <= at < 64 else ExifBlock()


def _boxed_exif(file: FrameFile) -> ExifBlock:
    """Camera data of a raw file in ISO boxes: each directory is a TIFF block of its own (names from memory)."""
    found: dict[bytes, ExifBlock] = {}
    for name, start, end in _boxes(file, 0, file.size):
        for inner, at, stop in _boxes(file, start, end) if name == b"moov" else ():
            for leaf, first, last in _boxes(file, at + 16, stop) if inner == b"uuid" else ():
                if leaf in (b"CMT1", b"CMT2", b"CMT4"):
                    found[leaf] = block_from_bytes(file.peek(first, last - first))
    image, exif, gps = (found.get(name, ExifBlock()).image for name in (b"CMT1", b"CMT2", b"CMT4"))
    return ExifBlock(image=image, exif=exif, gps=gps)


def _boxes(file: FrameFile, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Name, start and end of the contents of each box (ISO/IEC 14496-12, section 4.2)."""
    while at + 8 <= end:
        head = file.peek(at, 16)
        size, start = int.from_bytes(head[:4], "big"), at + 8
        if size == 1:
            size, start = int.from_bytes(head[8:16], "big"), at + 16
        elif size == 0:
            size = end - at
        if size < start - at or at + size > end:
            return
        yield head[4:8], start, at + size
        at += size


def embedded_jpeg(file: FrameFile) -> bytes | None:
    """The picture that the camera developed into a raw file, as LibRaw finds it; None if there is none."""
    import rawpy

    try:
        with _libraw(file) as opened:
            found = opened.extract_thumb()
    except (FrameRefused, rawpy.LibRawError):
        return None
    return bytes(found.data) if found.format == rawpy.ThumbFormat.JPEG else None


def _mosaic(file: FrameFile, opened: rawpy.RawPy) -> tuple[NDArray[np.uint16], NDArray[np.float32], float]:
    """The unpacked values of the sensor that the development starts from, (h, w), their black level, and white."""
    import rawpy

    if opened.raw_type != rawpy.RawType.Flat:
        raise file.refused("a raw file that holds no mosaic", "the values of a sensor", WITHOUT_MASTERS)
    black = np.array(opened.black_level_per_channel, np.float32)[opened.raw_colors_visible]
    return opened.raw_image_visible, black, float(opened.white_level)


def read_mosaic(file: FrameFile) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Light of a raw frame's sensor and the colour of each place, (h, w) both, as they lie on the sensor.

    Light is 1 at full scale; noise has some of it below 0. Colours are 0 to 3: red, green, blue, second green.
    """
    with _libraw(file) as opened:
        opened.unpack()
        mosaic, black, white = _mosaic(file, opened)
        light = mosaic_light(mosaic.astype(np.float32), black, white)
        return light, np.array(opened.raw_colors_visible, np.uint8)


def read_pixels(file: FrameFile, header: FrameHeader, out: Samples | None) -> Samples:
    """Develop the whole picture, as the header says."""
    import rawpy

    how = header.development
    check_out(out, (header.height, header.width, 3), np.dtype(np.uint16))
    with _libraw(file) as opened:
        opened.unpack()
        if header.correction is not None:
            mosaic, black, white = _mosaic(file, opened)
            correct_mosaic(header.correction, mosaic, black, white)
        samples = opened.postprocess(
            use_camera_wb=how.balance is None,
            user_wb=None if how.balance is None else list(how.balance),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,
            user_flip=0,
            output_bps=16,
            output_color=rawpy.ColorSpace.sRGB,
            gamma=LINEAR if how.linear else SRGB_GAMMA,
        )
    width, height = header.stored_size
    if samples.shape[:2] != (height, width):
        raise file.refused(
            f"a development of {samples.shape[1]} x {samples.shape[0]} pixels",
            f"{width} x {height}",
            EXPORT_AGAIN,
        )
    return finish(samples[:, :, : header.channels], header.orientation, out)
