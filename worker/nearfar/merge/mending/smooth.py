"""Even colours for a plain place: what its surroundings and most of it agree on, without halo, speckle or noise.

The picture is reduced to medians of small squares. Over these a surface is laid that bends as little as it may and
follows the squares, those least that stand out from it; squares around the region are believed more than those in it.
What is a minority in its own region, a halo or specks, so leaves no trace, while a gentle change of colour stays.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.mending.region import Box, Region

F32 = NDArray[np.float32]
U16 = NDArray[np.uint16]
F64 = NDArray[np.float64]
SQUARE = 8
"""Pixels of the smallest square."""
MOST = 16_000
"""Squares at most; larger regions have larger squares."""
AROUND = 6
"""Squares around the region that are looked at."""
STIFF = 12.0
"""How much the surface resists bending against following a square; a change over some four squares is followed."""
INSIDE = 0.25
"""How far a square in the region is believed against one beside it."""
DOUBT = 1.0
"""How many times the middle distance a square may stand out before it is doubted."""
ROUNDS, SWEEPS = 6, 40
SAMPLES = 2000
"""Squares that the plane is found from."""
OVER = 1.7
"""Over-relaxation of the sweeps; between 1 and 2, found by trying."""
LEAST = 40.0
"""Least spread that counts, 65535 being white: rounding is no reason to doubt a square."""


def squares_of(region: Region, size: tuple[int, int]) -> tuple[Box, int]:
    """The box of the picture that is looked at for a region, and the edge of its squares in pixels."""
    edge = SQUARE
    while True:
        x, y, width, height = region.bounds(size, margin=AROUND * edge)
        left, top = x // edge * edge, y // edge * edge
        box = (left, top, x + width - left, y + height - top)
        if -(-box[2] // edge) * -(-box[3] // edge) <= MOST:
            return box, edge
        edge *= 2


class Surface:
    """The surface of one region.

    Parameters
    ----------
    region
        What is to be smooth.
    size
        Width and height of the picture.
    below
        Gives the picture in a box, (height, width, 3) of 16 bit.
    """

    def __init__(self, region: Region, size: tuple[int, int], below: Callable[[Box], U16]) -> None:
        self.box, self.edge = squares_of(region, size)
        rows, cols = -(-self.box[3] // self.edge), -(-self.box[2] // self.edge)
        values, inside = np.zeros((rows, cols, 3)), np.zeros((rows, cols))
        x, y, width, height = self.box
        strip = max(1, 256 // self.edge)
        for row in range(0, rows, strip):
            top = row * self.edge
            part = (x, y + top, width, min(strip * self.edge, height - top))
            count = -(-part[3] // self.edge)
            values[row : row + count] = _medians(below(part).astype(np.float32), self.edge)
            inside[row : row + count] = _shares(region.inside(part), self.edge)
        self.grid = fitted(values, np.where(inside > 0, INSIDE, 1.0)).astype(np.float32)

    def pixels(self, box: Box) -> F32:
        """The surface in a box of the picture, (height, width, 3), 65535 for white."""
        x, y, width, height = box
        down = _between(np.arange(y, y + height) - self.box[1], self.edge, self.grid.shape[0])
        across = _between(np.arange(x, x + width) - self.box[0], self.edge, self.grid.shape[1])
        rows = _mixed(self.grid, down)
        return _mixed(rows.transpose(1, 0, 2), across).transpose(1, 0, 2)


def _padded(plane: NDArray[Any], edge: int) -> NDArray[Any]:
    rows, cols = (-plane.shape[0]) % edge, (-plane.shape[1]) % edge
    return np.pad(plane, [(0, rows), (0, cols), *[(0, 0)] * (plane.ndim - 2)], mode="edge")


def _medians(picture: F32, edge: int) -> F64:
    """The median of each square, (R, C, 3)."""
    p = _padded(picture, edge)
    rows, cols = p.shape[0] // edge, p.shape[1] // edge
    squares = p.reshape(rows, edge, cols, edge, 3).transpose(0, 2, 4, 1, 3).reshape(rows, cols, 3, -1)
    return np.asarray(np.median(squares, axis=3), np.float64)


def _shares(inside: NDArray[np.bool_], edge: int) -> F64:
    p = _padded(inside, edge)
    rows, cols = p.shape[0] // edge, p.shape[1] // edge
    return np.asarray(p.reshape(rows, edge, cols, edge).mean(axis=(1, 3)), np.float64)


def fitted(values: F64, trust: F64) -> F64:
    """The surface over squares: ``values`` (R, C, 3), how far each is believed ``trust`` (R, C).

    It is the plane that most squares lie near, bent towards them: an even slope is then no reason to doubt its ends.
    """
    plane = _plane(values, trust)
    off = values - plane
    bent = np.zeros_like(off)
    for _ in range(ROUNDS):
        _relax(bent, off, _believed(off - bent, trust))
    return plane + bent


def _believed(off: F64, trust: F64) -> F64:
    """How far each square is followed: less, the further it stands out among all."""
    distance = np.sqrt((off**2).mean(axis=2))
    spread = max(LEAST, DOUBT * float(np.median(distance)))
    return np.asarray(trust / (1 + (distance / spread) ** 2) ** 2, np.float64)


def _plane(values: F64, trust: F64) -> F64:
    """The plane that most squares lie near, everywhere, (R, C, 3). Sums are exact: the same on every machine."""
    rows, cols = trust.shape
    step = max(1, math.isqrt(rows * cols // SAMPLES))
    y, x = (axis.ravel() for axis in np.mgrid[0:rows:step, 0:cols:step])
    some, own = values[y, x], trust[y, x]
    basis = np.stack([np.ones(len(x)), x / max(cols, 2) - 0.5, y / max(rows, 2) - 0.5])
    found = np.zeros((3, 3))
    found[0] = np.median(some, axis=0)
    for _ in range(2 * ROUNDS):
        weight = _believed((some - basis.T @ found)[None], own[None])[0]
        left = [[math.fsum(weight * a * b) for b in basis] for a in basis]
        right = [[math.fsum(weight * a * some[:, c]) for c in range(3)] for a in basis]
        for k in range(3):
            left[k][k] += 1e-3 * math.fsum(weight)
        right[0] = [r + 1e-3 * math.fsum(weight) * float(f) for r, f in zip(right[0], found[0], strict=True)]
        found = np.linalg.solve(np.array(left), np.array(right))
    every = np.stack(
        np.broadcast_arrays(
            1.0, (np.arange(cols) / max(cols, 2) - 0.5)[None], (np.arange(rows) / max(rows, 2) - 0.5)[:, None]
        ),
        axis=2,
    )
    return np.asarray(every[:, :, :1] * found[0] + every[:, :, 1:2] * found[1] + every[:, :, 2:] * found[2])


def _relax(surface: F64, values: F64, weight: F64) -> None:
    """Sweep towards the least of sum w (u - v)^2 + STIFF sum (difference of neighbours)^2, every second square at a time."""
    rows, cols = weight.shape
    number = np.full((rows, cols), 4.0)
    number[[0, -1], :] -= 1
    number[:, [0, -1]] -= 1
    pull = (weight[:, :, None] * values) / STIFF
    over = weight / STIFF + np.maximum(number, 1e-9)
    colour = np.add.outer(np.arange(rows), np.arange(cols)) % 2 == 0
    for _ in range(SWEEPS):
        for which in (colour, ~colour):
            around = np.zeros_like(surface)
            around[1:] += surface[:-1]
            around[:-1] += surface[1:]
            around[:, 1:] += surface[:, :-1]
            around[:, :-1] += surface[:, 1:]
            better = (pull + around) / over[:, :, None]
            surface[which] += OVER * (better - surface)[which]


def _between(
    places: NDArray[np.int64], edge: int, count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], F32]:
    """The two squares whose middles each place lies between, and how far on the way to the second."""
    at = np.clip((places + 0.5) / edge - 0.5, 0, count - 1)
    first = np.minimum(at.astype(np.int64), max(0, count - 2))
    return first, np.minimum(first + 1, count - 1), (at - first).astype(np.float32)


def _mixed(grid: F32, where: tuple[NDArray[np.int64], NDArray[np.int64], F32]) -> F32:
    first, second, part = where
    part = part[:, None, None]
    return np.asarray(grid[first] * (1 - part) + grid[second] * part, np.float32)
