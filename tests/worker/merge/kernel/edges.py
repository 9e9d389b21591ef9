"""Runs survey, cells and tiles over the corners of what they may be given, and prints a digest of each result.

A program of its own, since a process opens one library and a sanitizer must be there from the start:
``NEARFAR_KERNEL=... python -m tests.worker.merge.kernel.edges``.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import picture_calls
from tests.worker.merge.kernel.stacks import LAYOUTS, by_tiles, pixels_of, random_stack

SIZES = ((1, 1), (5, 3), (1, 64), (65, 1), (17, 33), (64, 64), (70, 131))
STACKS: dict[str, dict[str, Any]] = {
    "far outside": {"most_shift": 5000.0},
    "rolled and scaled as far as may be": {"most_roll": 0.1745, "most_scale": 0.45, "size": (300, 70)},
    "300 frames": {"n": 300, "size": (40, 24), "admitted": 0.6},
    "one frame a cell": {"n": 7, "admitted": 0.02, "sole": True, "size": (210, 150), "order": -1},
    "8 bit with gains": {"dtype": np.uint8, "tables": True},
    "no noise": {"variance": 1e-12},
}


def surveys() -> Iterator[tuple[str, NDArray[Any]]]:
    """Survey and layout of frames of every size, depth and layout."""
    rng = np.random.default_rng(11)
    curve = np.linspace(0, 1, picture_calls.CURVE_STEPS + 1).astype(np.float32) ** np.float32(2.2)
    for width, height in SIZES:
        rows, cols = picture_calls.grid_shape(width, height)
        for dtype in (np.uint8, np.uint16):
            samples = rng.integers(0, int(np.iinfo(dtype).max) + 1, (height, width, 3)).astype(dtype)
            for layout in LAYOUTS:
                energy = np.empty((3, rows, cols), np.float32)
                mean = np.empty((rows, cols), np.float32)
                small = np.empty((height // 4, width // 4), np.uint16)
                pixels = pixels_of(samples, layout)
                picture_calls.measure(pixels, curve, (0, rows), energy, mean, small)
                assert np.isfinite(energy).all()
                assert np.isfinite(mean).all()
                yield f"survey of {width} x {height}, {samples.dtype}, {layout}", np.append(energy, mean)
            blocks = np.empty((-(-width // 64), 3, 64, 64), dtype)
            picture_calls.lay_out_rows(np.ascontiguousarray(samples[:64]), blocks)
            yield f"blocks of {width} x {height}, {samples.dtype}", blocks


def grids() -> Iterator[tuple[str, NDArray[Any]]]:
    """Grids of every shape, seen from far outside, blurred wider than they are, grown."""
    rng = np.random.default_rng(12)
    for shape in ((1, 1), (1, 9), (7, 1), (40, 61)):
        grid = rng.random(shape).astype(np.float32)
        for pose in ([[1, 0, -9e5], [0, 1, 9e5]], [[1.1, -0.1, 2.0], [0.1, 1.1, -3.0]]):
            yield f"{shape} warped", picture_calls.warp_grid(grid, np.array(pose, np.float64))
        for sigma in (0.6, 9.0):
            yield f"{shape} blurred", picture_calls.blur_grid(grid, sigma)
        yield f"{shape} grown", picture_calls.grow_grid((grid < 0.2).astype(np.uint8))


def tiles() -> Iterator[tuple[str, NDArray[Any]]]:
    """Pictures of every size, and stacks that are unlike any that a camera makes."""
    for number, size in enumerate(SIZES):
        made = by_tiles(random_stack(np.random.default_rng(number), size=size), 64)
        yield f"tiles of {size}", made.picture
        yield f"map of {size}", made.frame_map
        yield f"half of {size}", picture_calls.halve(np.ascontiguousarray(made.picture))
    for number, (name, changes) in enumerate(STACKS.items()):
        stack = random_stack(np.random.default_rng(20 + number), **changes)
        for tile in (64,) if len(stack.samples) > 100 else (64, 256):
            yield f"{name}, tile {tile}", by_tiles(stack, tile, before=0xFF).picture


def digests() -> dict[str, str]:
    """Digest of each result under a name of its own."""
    found: dict[str, str] = {}
    for part in (surveys(), grids(), tiles()):
        for name, array in part:
            found[f"{len(found)} {name}"] = hashlib.sha256(np.ascontiguousarray(array).tobytes()).hexdigest()
    return found


if __name__ == "__main__":
    print(json.dumps(digests()))
