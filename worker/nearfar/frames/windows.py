"""Rows of a frame without the whole of it: mapped if the file allows, in bands if it is coded in bands."""

from __future__ import annotations

from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames import decode
from nearfar.frames.correction import correct_rows
from nearfar.frames.headers import FrameHeader
from nearfar.frames.orient import Samples, upright
from nearfar.frames.source import opened
from nearfar.frames.tiff_pixels import chunk_row, layout_of

WHOLE_STEP = 64  # rows to ask for at a time if the whole picture is held anyway


def map_plain(header: FrameHeader) -> NDArray[Any]:
    """The file's own bytes as a read-only (h, w, 3) view, for headers with ``plain``; greyscale as three equal planes.

    The view is only good while the file stays as it is: a file cut short under it ends the process.
    """
    plain = header.plain
    if plain is None:
        raise WorkFailed(f"{header.path.name} cannot be mapped")
    with opened(header.path) as file, decode.refusing(file):
        decode.same_file(file, header)
    mapped = np.memmap(header.path, np.uint8, "r")
    return np.ndarray(
        (header.height, header.width, 3),
        np.dtype(f"u{header.bits // 8}"),
        buffer=mapped,
        offset=plain.offset,
        strides=(plain.row_stride, plain.pixel_stride, plain.plane_stride),
    )


class FrameRows:
    """Reads bands of rows of one frame, upright, as (rows, w, 3).

    Memory stays at one band of the file if ``header.in_parts`` says so; otherwise the picture is decoded whole at
    the first call and held. ``row_step`` is the band height at which nothing is decoded twice.
    """

    def __init__(self, header: FrameHeader) -> None:
        self.header = header
        self._whole: Samples | None = None
        self._band: tuple[int, Samples] | None = None
        self._opening = opened(header.path)
        self._file = self._opening.__enter__()
        try:
            with decode.refusing(self._file):
                decode.same_file(self._file, header)
                self._layout = layout_of(self._file) if header.in_parts else None
        except BaseException:
            self.close()
            raise

    @property
    def row_step(self) -> int:
        """Natural band height in rows."""
        return self._layout.chunk_height if self._layout else min(WHOLE_STEP, self.header.height)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Release the file and what is held of it."""
        self._whole = self._band = None
        self._opening.__exit__(None, None, None)

    def rows(self, y0: int, y1: int) -> Samples:
        """Rows ``y0`` to ``y1`` (exclusive) of the upright picture, (y1 - y0, w, 3), in an array of their own.

        Raises
        ------
        FrameRefused
            On damage in the bands that cover them.
        """
        if not 0 <= y0 < y1 <= self.header.height:
            raise WorkFailed(f"rows {y0} to {y1} of a frame of {self.header.height} rows")
        if self._layout is None:
            if self._whole is None:
                self._whole = decode.decode(self.header)
            return self._whole[y0:y1].copy()
        flipped = self.header.orientation in (3, 4)
        first, last = (self.header.height - y1, self.header.height - y0) if flipped else (y0, y1)
        out = np.empty((y1 - y0, self.header.width, 3), np.dtype(f"u{self.header.bits // 8}"))
        step = self.row_step
        for down in range(first // step, -(-last // step)):
            band = self._chunk_row(down)
            start, end = max(first, down * step), min(last, down * step + len(band))
            part = band[start - down * step : end - down * step]
            place = slice(last - end, last - start) if flipped else slice(start - first, end - first)
            out[place] = upright(part, self.header.orientation)
        if self.header.correction is None:
            return out
        return correct_rows(self.header.correction, out, y0, self.header.icc)

    def _chunk_row(self, down: int) -> Samples:
        if self._band is None or self._band[0] != down:
            self._band = None  # let go of the old band before the new one is made
            if self._layout is None:
                raise WorkFailed("no bands in this file")
            with decode.refusing(self._file):
                self._band = (down, chunk_row(self._file, self._layout, down))
        return self._band[1]
