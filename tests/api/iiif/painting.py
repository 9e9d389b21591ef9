"""Pictures of ours, painted for these tests: a table of mosses seen from above, in patches and slopes of colour."""

from __future__ import annotations

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
