"""The least that any merge must do: decode every frame once on all cores, write one picture like the result.

``python -m tests.bench.floor FRAMES OUT.tif`` is what the time of a merge is divided by.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imagecodecs
import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray

TILE = 512
"""Pixels along the edge of a tile, as in results."""


def tile_bytes(tile: NDArray[np.uint16]) -> bytes:
    """A whole tile, differences along rows, Deflate level 1."""
    full = np.zeros((TILE, TILE, 3), np.uint16)
    full[: tile.shape[0], : tile.shape[1]] = tile
    return bytes(imagecodecs.deflate_encode(imagecodecs.delta_encode(full, axis=1).tobytes(), level=1))


def tiles(picture: NDArray[np.uint16], pool: ThreadPoolExecutor) -> Iterator[bytes]:
    h, w, _ = picture.shape
    parts = [picture[y : y + TILE, x : x + TILE] for y in range(0, h, TILE) for x in range(0, w, TILE)]
    return pool.map(tile_bytes, parts)


def write(picture: NDArray[np.uint16], path: Path, pool: ThreadPoolExecutor) -> None:
    """Full size and halved sizes down to one tile."""
    levels = [picture]
    while max(levels[-1].shape[:2]) > TILE:
        levels.append(np.ascontiguousarray(levels[-1][::2, ::2]))
    with tifffile.TiffWriter(path) as file:
        for i, level in enumerate(levels):
            file.write(
                tiles(level, pool),
                shape=level.shape,
                dtype=np.uint16,
                photometric="rgb",
                tile=(TILE, TILE),
                compression="adobe_deflate",
                predictor=True,
                subifds=len(levels) - 1 if i == 0 else None,
                subfiletype=int(i > 0),
            )


def main() -> None:
    folder, out = Path(sys.argv[1]), Path(sys.argv[2])
    paths = sorted(folder.iterdir())
    kept = threading.local()

    def decode(path: Path) -> None:
        kept.pixels = simplejpeg.decode_jpeg(path.read_bytes(), buffer=getattr(kept, "pixels", None))

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for _ in pool.map(decode, paths[:-1]):
            pass
        write(simplejpeg.decode_jpeg(paths[-1].read_bytes()).astype(np.uint16) * 257, out, pool)


if __name__ == "__main__":
    main()
