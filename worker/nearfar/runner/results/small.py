"""Small pictures of frames for the pages, written while a frame's pixels are at hand anyway.

They lie in `Places.small` under the number of the first job of a stack, which its later versions share.
"""

from __future__ import annotations

import logging
import math
import os
import socket
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.errors import NearfarError
from nearfar.frames.deliverable import write_preview
from nearfar.frames.exif import ExifBlock
from nearfar.merge.kernel.picture_calls import every
from nearfar.merge.scratch import Scratch
from nearfar.merge.survey import MappedFrame, Surveyed, has_rows
from nearfar.places import small_name

log = logging.getLogger(__name__)

EDGE = 240
"""Pixels of the longer edge."""
SAMPLES = 3
"""Pixels of the frame for each of the small picture, each way: enough against jagged edges, and quick to read."""


def keep_small(frames: Iterable[tuple[int, Surveyed]], scratch: Scratch, folder: Path) -> int:
    """Write the small pictures that are missing, of frames whose pixels can be read here; how many.

    Parameters
    ----------
    frames
        Number in the stack, from 1, and survey of each.
    folder
        Of this stack; made if it is missing. If it cannot be written to the merge goes on without.
    """
    made = 0
    for number, frame in frames:
        target = folder / small_name(number)
        if target.exists() or not has_rows(scratch, frame):
            continue
        try:
            for each in (folder.parent, folder):  # but nothing above: it may be a share that is away
                each.mkdir(exist_ok=True)
            _write(target, small_picture(frame), _for_colours(frame.header.icc))
            made += 1
        except (OSError, NearfarError) as error:
            log.warning("%s cannot be written: %s", target, error, extra={"action": "small.not-written"})
            return made
    return made


def _for_colours(icc: bytes | None) -> bytes | None:
    """A profile that fits three channels (ICC.1:2022, table 18: colour space at byte 16); greyscale goes without."""
    return icc if icc is not None and icc[16:20] == b"RGB " else None


def _write(target: Path, picture: NDArray[np.uint8], icc: bytes | None) -> None:
    part = target.with_name(f".{target.name}.{socket.gethostname()[:40]}-{os.getpid()}.part")
    try:
        write_preview(part, picture, icc=icc, exif=ExifBlock())
        part.replace(target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def small_picture(frame: Surveyed) -> NDArray[np.uint8]:
    """(h, w, 3) uint8 under the frame's own profile, the longer edge at most `EDGE`."""
    width, height = frame.header.width, frame.header.height
    step = max(1, math.floor(max(width, height) / (SAMPLES * EDGE)))
    with MappedFrame(frame) as mapped:
        thin = every(mapped.pixels, step)
        mapped.forget()
    scale = min(1.0, EDGE / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    eight = thin if thin.dtype == np.uint8 else (thin >> 8).astype(np.uint8)
    return np.asarray(cv2.resize(eight, size, interpolation=cv2.INTER_AREA), np.uint8)
