"""One frame made ready to be looked at: carried into its picture's geometry by its pose, at the picture's brightness, in
sRGB.

For the eye alone: the picture itself is made by the render step, whose every bit is laid down. Here OpenCV's cubic is
good enough, over four samples where the render step takes six.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.errors import DoesNotFit, FrameRefused
from nearfar.frames.decode import read_header
from nearfar.frames.deliverable import TILE
from nearfar.frames.headers import FrameHeader
from nearfar.frames.looked import LookedWriter
from nearfar.frames.srgb import Convert, plain, to_srgb
from nearfar.frames.windows import FrameRows
from nearfar.merge.development import from_json
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.bend import from_json as bend_from
from nearfar.merge.keys import file_digest
from nearfar.merge.rendering import gain_table
from nearfar.merge.sensor.correcting_again import corrected_again
from nearfar.runner.looking.ready import Wish
from nearfar.settings import format_size

REACH = 3
"""Rows and columns that the cubic may want around a place, with one for rounding."""
WIDEST = 8192
"""Columns carried at a time; OpenCV takes pictures of 32767 at most."""
BESIDES = 192 << 20
"""Bytes besides the frame's pixels: the libraries, and some strips on their way."""
Samples = NDArray[Any]
U8 = NDArray[np.uint8]


def make_ready(wish: Wish, target: Path, *, memory: int, check: Callable[[], None]) -> None:
    """Write the frame to ``target`` with all its levels, see `nearfar.frames.looked`.

    Parameters
    ----------
    memory
        Bytes that this process may take; what needs more is refused before it is decoded.
    check
        Called for every strip; may raise to stop.

    Raises
    ------
    FrameRefused
        The file is not the frame that was merged, or it is damaged.
    DoesNotFit
        It needs more memory.
    """
    header = from_json(read_header(wish.path, wish.turned), wish.raw)
    _same(header, wish)
    header = corrected_again(header, wish.corrected)
    whole = 0 if header.in_parts else header.width * header.height * 3 * header.bits // 8
    need = header.decode_bytes + whole + BESIDES
    if need > memory:
        raise DoesNotFit(
            f"{header.path.name}: {format_size(need)} of memory are needed to look at it and {format_size(memory)} are "
            "allowed. Raise memory in the table [worker] of the settings."
        )
    convert = _colours(header, wish.gain_ev)
    with FrameRows(header) as rows, LookedWriter(target, wish.size, header.channels) as out:
        for top in range(0, wish.size[1], TILE):
            check()
            out.add(convert(_strip(rows, wish, top)))


def _same(header: FrameHeader, wish: Wish) -> None:
    if file_digest(header.path) != wish.digest or (header.width, header.height) != wish.size:
        raise FrameRefused(
            header.path,
            found="other contents than when it was merged",
            expected="the frame as it was",
            remedy="Put the frame back to look at it, or run the job again with what is there now.",
        )


def _strip(rows: FrameRows, wish: Wish, top: int) -> Samples:
    """Rows of the picture from ``top`` on, (r, w, 3), as the frame has them; black if it does not reach."""
    width, height = wish.size
    pose = np.array(wish.pose, np.float64)
    bend = bend_from(wish.bend, wish.size)
    far = 0 if bend is None else int(bend.largest) + 1
    count = min(TILE, height - top)
    if bend is None and np.array_equal(pose, np.eye(2, 3)):
        return rows.rows(top, top + count)
    first, last = _span(pose[1], (0, width - 1), (top, top + count - 1), rows.header.height, far)
    out = np.zeros((count, width, 3), np.dtype(f"u{rows.header.bits // 8}"))
    if first >= last:
        return out
    source = rows.rows(first, last)
    for left in range(0, width, WIDEST):
        right = min(left + WIDEST, width)
        x0, x1 = _span(pose[0], (left, right - 1), (top, top + count - 1), rows.header.width, far)
        if x0 < x1:
            moved = pose.copy()
            moved[:, 2] += pose[:, :2] @ (left, top) - (x0, first)
            seen = None if bend is None else bend.seen_from(left, top)
            out[:, left:right] = _carried(source[:, x0:x1], moved, seen, (right - left, count))
    return out


def _span(
    row: NDArray[np.float64], xs: tuple[int, int], ys: tuple[int, int], length: int, far: int
) -> tuple[int, int]:
    """Rows or columns of the frame, from and to, that a box of the picture wants, and ``far`` more on each side."""
    places = [row[0] * x + row[1] * y + row[2] for x in xs for y in ys]
    return max(0, int(min(places)) - REACH - far), min(length, int(max(places)) + 1 + REACH + far)


def _carried(source: Samples, pose: NDArray[np.float64], bend: Bend | None, size: tuple[int, int]) -> Samples:
    source = np.ascontiguousarray(source)
    if bend is None:
        how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpAffine(source, pose, size, flags=how))
    x, y = np.arange(size[0], dtype=np.float64), np.arange(size[1], dtype=np.float64)[:, None]
    places = (p[0] * x + p[1] * y + p[2] + more for p, more in zip(pose, bend.at(x, y), strict=True))
    u, v = (p.astype(np.float32) for p in places)
    return np.asarray(cv2.remap(source, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT))


def _colours(header: FrameHeader, gain_ev: float) -> Callable[[Samples], U8]:
    """From samples (r, w, 3) of a frame to sRGB, (r, w, 3), or (r, w, 1) for greyscale."""
    values = gain_table(header, gain_ev)
    steps: NDArray[Any] = np.linspace(0, 1, 1 << header.bits) if values is None else values
    table = np.round(np.clip(steps, 0.0, 1.0) * 65535).astype(np.uint16)
    convert = to_srgb(header.icc, header.channels)
    if header.bits == 8 and convert is plain:
        short = plain(table)
        return lambda samples: _eight(_planes(samples, header), short)
    return lambda samples: _in_srgb(_planes(samples, header), table, convert)


def _planes(samples: Samples, header: FrameHeader) -> Samples:
    return samples if header.channels == 3 else np.ascontiguousarray(samples[:, :, 1:2])


def _eight(samples: Samples, table: U8) -> U8:
    found: Any = cv2.LUT(samples.astype(np.uint8, copy=False), table)
    return np.asarray(found, np.uint8).reshape(samples.shape)


def _in_srgb(samples: Samples, table: NDArray[np.uint16], convert: Convert) -> U8:
    out = np.empty(samples.shape, np.uint8)
    for top in range(0, len(samples), 64):  # what is on its way stays in the processor's cache
        part = np.take(table, samples[top : top + 64], mode="clip")
        out[top : top + 64] = convert(part)
    return out
