"""Whether a picture file is all there: its header parses, and its end is where the header says.

A cheap look at structure, for files that may still be on their way: no pixel is decoded. Programs that set a file's
size first and fill it afterwards leave zeros, or a hole, where data are still to come.
"""

from __future__ import annotations

import os
from pathlib import Path

from nearfar.frames import jpeg, tiff
from nearfar.frames.decode import FAMILIES, kind_of, refusing
from nearfar.frames.headers import FrameHeader
from nearfar.frames.source import FrameFile, opened

TAIL = 4096
"""Bytes at the end that are looked at; a page, which is what is written at a time."""
PIECE = 1 << 20
END_MARKER = b"\xff\xd9"


def examine(path: Path | str) -> tuple[FrameHeader, str | None]:
    """Header of a file whose end is there, and a doubt about it, if there is one.

    A doubt is what a file still being filled looks like but a whole one may too: a black bottom edge stored without
    compression is zeros. Who has time waits whether it goes away.

    Raises
    ------
    FrameRefused
        If the header does not parse or the end is missing.
    """
    with opened(path) as file, refusing(file):
        kind = kind_of(file)
        header = FAMILIES[kind].header(file, None)[0]
        if kind == "jpeg":
            _check_end_marker(file)
            return header, None
        if kind == "tiff":
            _check_last_chunk(file)
        return header, _doubt(file) if kind != "png" else None  # a PNG's header walk ends at its end chunk


def _check_end_marker(file: FrameFile) -> None:
    """Find the end marker behind the beginning of the first scan (ITU-T T.81, B.1.1.3): coded data cannot hold it."""
    scan, end, piece = jpeg.walk_markers(file).scan, file.size, TAIL
    while end > scan:
        start = max(scan, end - piece)
        if END_MARKER in file.peek(start, end - start + 1):
            return
        end, piece = start, PIECE
    raise file.cut_short("a JPEG with its end marker")


def _check_last_chunk(file: FrameFile) -> None:
    """Refuse a compressed strip or tile that ends in zeros: no coding that is read here leaves sixteen of them."""
    tags, form, _ = tiff.first_picture(file)
    layout = tiff.read_layout(file, tags, form)
    if layout.compression == tiff.NONE:
        return
    offset, size = max(zip(layout.offsets, layout.sizes, strict=True))
    tail = file.read(offset + size - min(size, 16), min(size, 16))
    if len(tail) == 16 and not tail.strip(b"\0"):
        raise file.refused(
            "zeros where its last strip or tile should be",
            "picture data up to the end",
            "Wait until it has arrived completely, or copy it again.",
        )


def _doubt(file: FrameFile) -> str | None:
    if _hole(file) is not None:
        return f"nothing was written yet from byte {_hole(file)} of {file.size}"
    tail = min(TAIL, file.size // 2)
    if not file.peek(file.size - tail, tail).strip(b"\0"):
        return f"the last {tail} bytes are zeros"
    return None


def _hole(file: FrameFile) -> int | None:
    """Where the first hole begins; None if there is none, or the file system does not report holes."""
    try:
        at = os.lseek(file.descriptor, 0, os.SEEK_HOLE)
    except (OSError, AttributeError):
        return None
    return at if at < file.size else None
