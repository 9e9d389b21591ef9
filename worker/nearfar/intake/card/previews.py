"""A small look at each frame's picture, from which a card is sorted: where it is bright, what it shows, where it is sharp.

The smallest picture that will do is decoded: one that the camera put into the file, else the file itself at an eighth
of its size. What is kept has the same shape for every frame, whatever its size, so that frames can be laid beside
each other. Frames are only compared in sharpness if their previews were made alike (`Look.source`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, read_header
from nearfar.frames.glance import Embedded, Glance
from nearfar.frames.raw import embedded_jpeg
from nearfar.frames.source import FrameFile, opened

SMALL = (96, 128)
"""Rows and columns of the small picture, for every aspect ratio."""
BLOCKS = (8, 12)
"""Rows and columns of the blocks in which colour and sharpness are noted."""
SCALES = 3
"""Octaves in which sharpness is noted, from the preview's own pixels on."""
CHEAP, CLOSE = 0, 1
"""How close a look is: whatever is cheapest, or the frame itself."""
LEAST_EMBEDDED = 120
"""Width in pixels below which an embedded picture shows too little."""
WIDE = {CHEAP: 560, CLOSE: 1100}
"""Width in pixels that a look is made at, at least, if the file has as many."""
MOST = {CHEAP: 1000, CLOSE: 2000}

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """What a preview showed.

    ``small``: (96, 128) uint8, luma as encoded. ``colour``: (8, 12, 3) uint8, mean RGB of each block. ``sharp``:
    (3, 8, 12) float32, root mean square of detail in three octaves, of encoded luma 0..255. ``source``: what it was
    made from and how wide that was.
    """

    small: Bytes
    colour: Bytes
    sharp: Floats
    source: str


def take_look(path: Path, found: Glance, closeness: int = CHEAP) -> Look:
    """Make the small look at a frame.

    Raises
    ------
    FrameRefused
        If the picture in it cannot be decoded.
    """
    for source, pixels in _candidates(path, found, closeness):
        if pixels is not None and min(pixels.shape[:2]) >= 16:
            return look_of(pixels, f"{source} {pixels.shape[1]}")
    raise FrameRefused(
        path,
        found="no picture in it that can be decoded",
        expected="an undamaged picture",
        remedy="Copy the file again from the card, or leave it out.",
    )


def _candidates(path: Path, found: Glance, closeness: int) -> Iterator[tuple[str, Bytes | None]]:
    if found.kind in ("jpeg", "raw") and (closeness == CHEAP or found.kind == "raw"):
        yield "embedded", _embedded(path, found, closeness)
    if found.kind == "jpeg":
        with opened(path) as file:
            yield "decoded", _scaled(file.read(0, file.size), closeness)
    elif found.kind == "raw":
        with opened(path) as file:
            inside = embedded_jpeg(file)
        yield "developed by the camera", _scaled(inside, closeness) if inside else None
    yield "decoded", _whole(path, closeness)


def _embedded(path: Path, found: Glance, closeness: int) -> Bytes | None:
    """The smallest embedded picture that is wide enough, else the largest; its black bars cut off."""
    best: tuple[tuple[bool, int], bytes] | None = None
    with opened(path) as file:
        for place in found.embedded:
            width, data = _width_of(file, place)
            enough = width >= WIDE[closeness]
            rank = (enough, -width if enough else width)
            if width >= LEAST_EMBEDDED and (best is None or rank > best[0]):
                best = rank, data
    if best is None or (closeness == CLOSE and not best[0][0]):
        return None
    pixels = _scaled(best[1], closeness)
    return None if pixels is None else _without_bars(pixels, found)


def _width_of(file: FrameFile, place: Embedded) -> tuple[int, bytes]:
    data = file.peek(place.offset, place.size)
    try:
        return int(simplejpeg.decode_jpeg_header(data, strict=False)[1]), data
    except ValueError:
        return 0, b""


def _scaled(data: bytes, closeness: int) -> Bytes | None:
    """A JPEG at the smallest of the decoder's scales that is wide enough."""
    try:
        pixels = simplejpeg.decode_jpeg(data, "RGB", min_width=WIDE[closeness], min_factor=1, strict=False)
    except ValueError:
        return None
    return np.asarray(pixels, np.uint8)


def _without_bars(pixels: Bytes, found: Glance) -> Bytes | None:
    """Cut an embedded picture to the aspect ratio of the frame; None if it shows something of another shape."""
    if not found.width or not found.height:
        return pixels
    h, w = pixels.shape[:2]
    across, down = found.width / found.height, w / h
    if abs(across / down - 1) < 0.03:
        return pixels
    rows = round(w / across) if across > down else h
    columns = round(h * across) if across < down else w
    top, left = (h - rows) // 2, (w - columns) // 2
    bars = [pixels[: max(top - 1, 0)], pixels[h - max(top - 1, 0) :], pixels[:, : max(left - 1, 0)]]
    if any(bar.size and np.percentile(bar, 90) > 40 for bar in bars):
        return None
    return (
        pixels[top + 1 : top + rows - 1, left + 1 : left + columns - 1]
        if rows > 16 and columns > 16
        else None
    )


def _whole(path: Path, closeness: int) -> Bytes | None:
    """Any other picture, decoded whole and made smaller."""
    samples = decode(read_header(path, 1))  # as stored, like pictures inside files
    if samples.dtype == np.uint16:
        samples = (samples >> 8).astype(np.uint8)
    return samples


def look_of(pixels: Bytes, source: str) -> Look:
    """The look at decoded RGB pixels (h, w, 3)."""
    closeness = CLOSE if pixels.shape[1] > MOST[CHEAP] else CHEAP
    if pixels.shape[1] > MOST[closeness]:
        scale = WIDE[closeness] / pixels.shape[1]
        pixels = np.asarray(
            cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    luma = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.float32)
    rows, columns = SMALL
    small = cv2.resize(luma, (columns, rows), interpolation=cv2.INTER_AREA)
    colour = cv2.resize(pixels, BLOCKS[::-1], interpolation=cv2.INTER_AREA)
    return Look(
        small=np.rint(small).astype(np.uint8),
        colour=np.asarray(colour, np.uint8),
        sharp=_sharpness(luma),
        source=source,
    )


def _sharpness(luma: Floats) -> Floats:
    """Root mean square of what a small blur takes away, in each block and octave."""
    found = []
    for _ in range(SCALES):
        detail = luma - cv2.GaussianBlur(luma, (3, 3), 0)
        squares = np.asarray(detail * detail, np.float32)
        found.append(np.sqrt(cv2.resize(squares, BLOCKS[::-1], interpolation=cv2.INTER_AREA)))
        luma = np.asarray(cv2.pyrDown(luma), np.float32)
    return np.stack(found).astype(np.float32)
