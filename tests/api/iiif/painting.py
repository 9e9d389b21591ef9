"""Pictures of ours, painted for these tests: a table of mosses seen from above, in patches and slopes of colour."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.frames.deliverable import TILE, PictureTags, encode_tile, write_picture
from nearfar.merge.kernel.picture_calls import halve

U16 = NDArray[np.uint16]


def slopes(width: int, height: int, channels: int = 3) -> U16:
    """(h, w, c): red and green tell of place, blue of the diagonal, so that a pixel's value says where it lies."""
    x = np.linspace(0, 65535, width)[None, :]
    y = np.linspace(0, 65535, height)[:, None]
    planes = [np.broadcast_to(x, (height, width)), np.broadcast_to(y, (height, width)), (x + y) / 2]
    return np.stack(planes[:channels], axis=-1).astype(np.uint16)


def write(path: Path, pixels: U16, *, icc: bytes | None = None, levels: int | None = None) -> Path:
    """A whole picture with all its levels, as a merge delivers it, or with that many."""
    sizes = [pixels]
    while max(sizes[-1].shape[:2]) > TILE and len(sizes) < (levels or 99):
        sizes.append(halve(np.ascontiguousarray(sizes[-1])))
    height, width, channels = pixels.shape
    write_picture(
        path,
        width=width,
        height=height,
        channels=channels,
        levels=[tiles(one) for one in sizes],
        tags=PictureTags(icc=icc),
    )
    return path


def tiles(pixels: U16) -> Iterator[bytes]:
    """Coded, row by row."""
    for y in range(0, pixels.shape[0], TILE):
        for x in range(0, pixels.shape[1], TILE):
            tile = np.zeros((TILE, TILE, pixels.shape[2]), np.uint16)
            part = pixels[y : y + TILE, x : x + TILE]
            tile[: part.shape[0], : part.shape[1]] = part
            yield encode_tile(tile)


def wide_profile() -> bytes:
    """A profile with the primaries of Display P3 (columns in D50 from memory) and a plain exponent of 1.8."""
    columns = {
        "r": (0.51512, 0.24120, -0.00105),
        "g": (0.29198, 0.69225, 0.04189),
        "b": (0.15710, 0.06657, 0.78407),
    }
    tags = {f"{name}XYZ".encode(): b"XYZ \0\0\0\0" + _fixed(*column) for name, column in columns.items()}
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), b"para\0\0\0\0\0\0\0\0" + _fixed(1.8))
    return profile(tags)


def grey_profile(exponent: float) -> bytes:
    """A profile for greyscale with a plain exponent."""
    return profile({b"kTRC": b"para\0\0\0\0\0\0\0\0" + _fixed(exponent)}, space=b"GRAY")


def profile(tags: dict[bytes, bytes], *, space: bytes = b"RGB ", connection: bytes = b"XYZ ") -> bytes:
    """A display profile of version 4 around some tags, put together after ICC.1, section 7."""
    white = _fixed(0.9642, 1.0, 0.8249)
    text = "Moss bench".encode("utf-16-be")
    named = b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(text), 28) + text
    tags = {b"desc": named, b"cprt": named, b"wtpt": b"XYZ \0\0\0\0" + white, **tags}
    at, table, body = 132 + 12 * len(tags), b"", b""
    for signature, value in tags.items():
        table += struct.pack(">4sII", signature, at + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    head = struct.pack(">I4xI4s4s4s", at + len(body), 0x04300000, b"mntr", space, connection)
    head += struct.pack(">6H", 2031, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + white
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def _fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(value * 65536) for value in values))
