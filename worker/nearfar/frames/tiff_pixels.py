"""Rows of a TIFF: reads, unpacks and checks the strips or tiles that cover them, and nothing else."""

from __future__ import annotations

from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from nearfar.frames.headers import FrameHeader
from nearfar.frames.orient import Samples, check_out, finish, swaps_sides
from nearfar.frames.source import EXPORT_AGAIN, FrameFile
from nearfar.frames.tiff import (
    DEFLATE,
    DEFLATE_OLD,
    LZW,
    NONE,
    PACKBITS,
    ZSTD,
    Layout,
    chunk_rows,
    first_picture,
    read_layout,
)

UNPACKERS = {
    LZW: imagecodecs.lzw_decode,
    DEFLATE: imagecodecs.deflate_decode,
    DEFLATE_OLD: imagecodecs.deflate_decode,
    PACKBITS: imagecodecs.packbits_decode,
    ZSTD: imagecodecs.zstd_decode,
}
BEYOND = 0.1  # floating-point samples this far outside 0..1 are clipped; further out they are in other units


def layout_of(file: FrameFile) -> Layout:
    """The layout of the picture in an open TIFF."""
    tags, form, _ = first_picture(file)
    return read_layout(file, tags, form)


def read_pixels(file: FrameFile, header: FrameHeader, out: Samples | None) -> Samples:
    """Decode the whole picture, chunk row by chunk row."""
    layout = layout_of(file)
    dtype = np.dtype(f"u{header.bits // 8}")
    check_out(out, (header.height, header.width, 3), dtype)
    if out is None:
        out = np.empty((header.height, header.width, 3), dtype)
    turned = swaps_sides(header.orientation)
    target = np.empty((layout.height, layout.width, 3), dtype) if turned else out
    for y in range(0, layout.height, layout.chunk_height):
        rows = chunk_row(file, layout, y // layout.chunk_height)
        if turned:
            target[y : y + len(rows)] = rows
        else:
            _place(out, rows, y, header.orientation)
    return finish(target, header.orientation, out) if turned else out


def _place(out: Samples, rows: Samples, y: int, orientation: int) -> None:
    """Write a band of stored rows into the upright picture (orientations 1 to 4)."""
    view = out[::-1] if orientation in (3, 4) else out
    view = view[:, ::-1] if orientation in (2, 3) else view
    view[y : y + len(rows)] = rows


def chunk_row(file: FrameFile, layout: Layout, down: int) -> Samples:
    """The band of stored rows that chunk row ``down`` covers: (rows, width, 3) or (rows, width, 1), 8 or 16 bit."""
    rows = min(layout.chunk_height, layout.height - down * layout.chunk_height)
    per_plane = layout.across * layout.down
    whole = layout.across == 1 and not layout.planar
    if whole:
        samples = _chunk(file, layout, down)[:rows, : layout.width, : layout.channels]
        return _as_integers(file, layout, samples)
    band = np.empty((rows, layout.width, layout.channels), f"u{layout.bits // 8}")
    for plane in range(layout.channels if layout.planar else 1):
        for across in range(layout.across):
            samples = _chunk(file, layout, plane * per_plane + down * layout.across + across)
            x = across * layout.chunk_width
            width = min(layout.chunk_width, layout.width - x)
            channels = slice(plane, plane + 1) if layout.planar else slice(0, layout.channels)
            kept = samples[:rows, :width, : 1 if layout.planar else layout.channels]
            band[:, x : x + width, channels] = _as_integers(file, layout, kept)
    return band


def _chunk(file: FrameFile, layout: Layout, index: int) -> NDArray[Any]:
    """One strip or tile as (rows, chunk width, samples) in native order, predictor undone."""
    rows = chunk_rows(layout, index)
    shape = (rows, layout.chunk_width, layout.chunk_samples)
    expected = rows * layout.chunk_width * layout.chunk_samples * layout.stored.itemsize
    data = file.read(layout.offsets[index], layout.sizes[index])
    if layout.compression != NONE:
        data = _unpacked(file, layout, index, data)
    if len(data) < expected:
        raise file.damaged(f"strip or tile {index} gives {len(data)} of {expected} bytes")
    if layout.predictor == 3:
        stored = np.frombuffer(data, layout.stored, expected // layout.stored.itemsize).reshape(shape)
        return np.asarray(imagecodecs.floatpred_decode(stored, axis=-2, dist=1))
    samples = np.frombuffer(
        data, layout.stored.newbyteorder(layout.order), expected // layout.stored.itemsize
    )
    native = samples.astype(layout.stored, copy=False).reshape(shape)
    if layout.predictor == 2:
        whole = native.view(f"u{layout.stored.itemsize}")
        native = np.asarray(imagecodecs.delta_decode(whole, axis=-2)).view(layout.stored)
    return native


def _unpacked(file: FrameFile, layout: Layout, index: int, data: bytes) -> bytes:
    # Some writers fill the last strip up to its full height, so a full chunk is allowed for.
    full = layout.chunk_height * layout.chunk_width * layout.chunk_samples * layout.stored.itemsize
    try:
        unpacked = UNPACKERS[layout.compression](data, out=full)
    except RuntimeError as error:
        raise file.damaged(f"strip or tile {index} cannot be unpacked: {error}") from error
    return bytes(unpacked) if not isinstance(unpacked, bytes) else unpacked


def _as_integers(file: FrameFile, layout: Layout, samples: NDArray[Any]) -> Samples:
    if layout.stored.kind == "f":
        samples = _from_floats(file, samples)
    return np.invert(samples) if layout.inverted else samples


def _from_floats(file: FrameFile, samples: NDArray[Any]) -> NDArray[np.uint16]:
    """Floating-point 0..1 as 16 bit, rounded to nearest; not-a-number and other units are refused."""
    if not np.isfinite(samples).all():
        raise file.refused("floating-point samples that are not numbers", "values from 0 to 1", EXPORT_AGAIN)
    low, high = float(samples.min()), float(samples.max())
    if low < -BEYOND or high > 1 + BEYOND:
        found = f"floating-point samples from {low:g} to {high:g}"
        raise file.refused(found, "values from 0 to 1", EXPORT_AGAIN)
    scaled = np.clip(samples.astype(np.float64), 0.0, 1.0) * 65535
    return np.asarray(np.rint(scaled), dtype=np.uint16)
