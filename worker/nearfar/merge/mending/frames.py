"""Frames for mends: decoded again as far as a region needs it, and carried into the picture by the tile kernel.

The scratch of the merge is long gone when a picture is mended. A file that can be read in part is read in part; any other is
decoded whole, cut, and dropped. A stack of one frame goes through the same kernel as the picture did, so that a frame with
the identity as its pose comes out unchanged.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.colour import light_table
from nearfar.frames.decode import decode_upper, read_header
from nearfar.frames.headers import FrameHeader
from nearfar.frames.windows import FrameRows, map_plain
from nearfar.merge import development
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.picture_calls import (
    TileFrame,
    TileKernel,
    checked_frames,
    grid_shape,
    render_bytes,
)
from nearfar.merge.keys import file_digest
from nearfar.merge.mending.boxes import Box
from nearfar.merge.rendering import KEEP_NOISE, gain_table
from nearfar.merge.sensor.correcting_again import corrected_again
from nearfar.merge.survey import changed

U16 = NDArray[np.uint16]
F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
TILE = 256
"""Edge of the kernel's tiles, pixels; windows begin at multiples of it, so that no bit depends on the window."""
HELD = 24
"""Warped tiles of one frame that are kept, 9 MiB."""
BESIDE = 40
"""Pixels of a frame around a window that the kernel reads as well."""
FADE = 4.0
"""Pixels from its border over which a frame fades in."""
_WEIGHING = ("channel", "band0", "band1", "prior_weight", "behind", "agreement", "quiet")
NUMBERS = dict.fromkeys(_WEIGHING, 1.0)
"""The kernel's settings for weighing frames, which have no effect on a single one."""
Keep = Callable[[tuple[int, ...], Any], NDArray[Any]]
"""Allocates an array of a shape and type for pixels."""


@dataclass(frozen=True, kw_only=True)
class MendFrame:
    """A frame that went into the picture, as its report describes it."""

    path: Path
    digest: str
    """SHA-256 of the file, hexadecimal, to check that it is still the same."""
    pose: tuple[tuple[float, float, float], tuple[float, float, float]]
    gain_ev: float
    bend: Bend | None = None
    """How it is displaced beyond its pose."""
    raw: Mapping[str, Any] | None = None
    """How it was developed, if it is a raw frame."""
    turned: int | None = None
    """The orientation that it was turned by, if not by its own."""
    corrected: Mapping[str, Any] | None = None
    """Dark and flat frames that it was corrected with."""

    @property
    def matrix(self) -> F64:
        """The pose as an array, (2, 3)."""
        return np.array(self.pose, np.float64)


def window_of(box: Box, size: tuple[int, int]) -> Box:
    """The box grown to whole tiles of the kernel, within a picture of that size."""
    x, y, width, height = box
    left, top = x // TILE * TILE, y // TILE * TILE
    right = min(size[0], -(-(x + width) // TILE) * TILE)
    bottom = min(size[1], -(-(y + height) // TILE) * TILE)
    return left, top, right - left, bottom - top


def seen(matrix: F64, window: Box, header: FrameHeader, far: float = 0.0) -> Box | None:
    """The box of a frame that a window of the picture needs, with a margin; None if the window shows nothing of the frame.

    ``far``: pixels by which the frame may be displaced beyond its pose.
    """
    x, y, width, height = window
    corners = np.array([(x + dx, y + dy, 1.0) for dx in (0, width - 1) for dy in (0, height - 1)])
    at = corners @ matrix.T
    reach = BESIDE + 2 + int(np.ceil(far))
    left, top = (max(0, int(np.floor(v)) - reach) for v in at.min(axis=0))
    right = min(header.width, int(np.ceil(at[:, 0].max())) + 1 + reach)
    bottom = min(header.height, int(np.ceil(at[:, 1].max())) + 1 + reach)
    if right - left <= 0 or bottom - top <= 0:
        return None
    return left, top, right - left, bottom - top


def read_part(header: FrameHeader, box: Box, keep: Keep) -> NDArray[Any]:
    """Decode a box of a frame, (height, width, 3), and of the rest no more than the file format requires."""
    x, y, width, height = box
    out = keep((height, width, 3), np.dtype(f"u{header.bits // 8}"))
    if header.plain:
        out[:] = map_plain(header)[y : y + height, x : x + width]
    elif header.in_parts:
        with FrameRows(header) as rows:
            step = max(rows.row_step, 64)
            for top in range(y, y + height, step):
                bottom = min(top + step, y + height)
                out[top - y : bottom - y] = rows.rows(top, bottom)[:, x : x + width]
    else:
        out[:] = decode_upper(header, y + height)[y : y + height, x : x + width]
    return out


class Carrier:
    """One frame's pixels in the picture's geometry and brightness, for one window of the picture.

    Parameters
    ----------
    frame
        The frame; its file is opened, and refused if it is no longer the one that was merged.
    window
        From `window_of`.
    keep
        Where the decoded part is kept.

    Raises
    ------
    SourceChanged, FrameRefused, OSError
    """

    def __init__(self, frame: MendFrame, window: Box, keep: Keep) -> None:
        header = development.from_json(read_header(frame.path, frame.turned), frame.raw)
        header = corrected_again(header, frame.corrected)
        if file_digest(frame.path) != frame.digest:
            raise changed(frame.path)
        self.size = (header.width, header.height)
        self.matrix = frame.matrix
        self.window = window
        self._local = threading.local()
        self._lock = threading.Lock()
        self._held: dict[tuple[int, int], U16] = {}
        self._kernel: TileKernel | None = None
        self.bend = frame.bend
        box = seen(self.matrix, window, header, 0.0 if frame.bend is None else frame.bend.largest)
        if box is not None:
            self._kernel = self._make(frame, header, box, read_part(header, box, keep))

    def _make(self, frame: MendFrame, header: FrameHeader, box: Box, samples: NDArray[Any]) -> TileKernel:
        x, y, width, height = self.window
        pose = self.matrix.copy()
        pose[:, 2] += pose[:, :2] @ (x, y) - (box[0], box[1])
        rows, cols = grid_shape(width, height)
        return TileKernel(
            size=(width, height),
            frames=[
                TileFrame(
                    pixels=Pixels(samples=samples, table=light_table(header.icc, header.bits)),
                    pose=pose,
                    table=gain_table(header, frame.gain_ev),
                    bend=None if self.bend is None else self.bend.seen_from(x, y),
                )
            ],
            prior=np.full((rows, 1, cols), 8192, np.uint16),
            admitted=np.ones((rows, 1, cols), np.uint8),
            variance=np.full((rows, cols), KEEP_NOISE, np.float32),
            order=0,
            numbers=NUMBERS,
        )

    def cover(self, box: Box) -> F32:
        """How far the frame covers a box of the picture, (height, width): 1 inside, falling to 0 at the frame's border."""
        x, y, width, height = box
        corners = self._inner(np.array([x, x + width - 1.0]), np.array([y, y + height - 1.0]))
        if corners.min() >= FADE + (0.0 if self.bend is None else 2 * self.bend.largest):
            return np.ones((height, width), np.float32)
        inner = self._inner(
            np.arange(x, x + width, dtype=np.float64), np.arange(y, y + height, dtype=np.float64)
        )
        return np.asarray(np.clip(inner / FADE, 0, 1), np.float32)

    def _inner(self, columns: F64, rows: F64) -> F64:
        """Distance of places from the frame's border, inwards, in the frame's pixels."""
        (a, b, c), (d, e, f) = self.matrix
        u = a * columns + (b * rows[:, None] + c)
        v = d * columns + (e * rows[:, None] + f)
        if self.bend is not None:
            du, dv = self.bend.at(columns, rows[:, None])
            u, v = u + du, v + dv
        sides = (u, self.size[0] - 1 - u, v, self.size[1] - 1 - v)
        return np.asarray(np.minimum.reduce(sides) + 0.5, np.float64)

    def carried(self, box: Box) -> U16:
        """The frame in a box of the picture within the window, (height, width, 3). Where it does not reach, see `cover`."""
        x, y, width, height = box
        left, top = x - self.window[0], y - self.window[1]
        out = np.zeros((height, width, 3), np.uint16)
        if self._kernel is None:
            return out
        for row in range(top // TILE, -(-(top + height) // TILE)):
            for column in range(left // TILE, -(-(left + width) // TILE)):
                tile = self._tile(self._kernel, column, row)
                first_y, first_x = max(top, row * TILE), max(left, column * TILE)
                last_y, last_x = min(top + height, (row + 1) * TILE), min(left + width, (column + 1) * TILE)
                part = tile[
                    first_y - row * TILE : last_y - row * TILE,
                    first_x - column * TILE : last_x - column * TILE,
                ]
                out[first_y - top : last_y - top, first_x - left : last_x - left] = part
        return out

    def _tile(self, kernel: TileKernel, column: int, row: int) -> U16:
        """One warped tile; the last ones are kept, since boxes overlap."""
        found = self._held.get((column, row))
        if found is not None:
            return found
        work: NDArray[np.uint8] | None = getattr(self._local, "work", None)
        if work is None:
            work = self._local.work = np.empty(render_bytes(TILE, 1), np.uint8)
        out = np.zeros((TILE, TILE, 3), np.uint16)
        frame_map = np.zeros((TILE // 2, TILE // 2), np.uint16)
        checked_frames(kernel.render(TILE, column * TILE, row * TILE, out, frame_map, np.zeros(1), work))
        with self._lock:
            self._held[(column, row)] = out
            if len(self._held) > HELD:
                del self._held[next(iter(self._held))]
        return out
