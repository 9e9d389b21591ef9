"""Even colours for a plain region: those that its surroundings and most of it agree on, without halos, specks or noise.

The picture is reduced to medians of small squares. A surface that bends as little as possible is fitted to them; squares
that stand out from it count less, and squares in the region less than those around it. So whatever covers less than half of
the region, such as a halo or specks, leaves no trace, while gentle changes of colour are kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.mending.boxes import Box
from nearfar.merge.mending.region import Region

F32 = NDArray[np.float32]
U16 = NDArray[np.uint16]
F64 = NDArray[np.float64]
SQUARE = 8
"""Edge of the smallest square, pixels."""
MOST = 16_000
"""The most squares; larger regions have larger ones."""
AROUND = 6
"""Squares around the region that are used as well."""
STIFF = 12.0
"""Weight of bending against the distance to a square; changes over about four squares are followed."""
INSIDE = 0.25
"""Weight of a square in the region against one beside it."""
DOUBT = 1.0
"""Multiple of the median distance from the surface beyond which a square counts less."""
ROUNDS, SWEEPS = 6, 40
"""Rounds of reweighting, and sweeps over all squares in each of them."""
SAMPLES = 2000
"""The most squares that the plane is fitted to."""
OVER = 1.7
"""Factor of over-relaxation, between 1 and 2; found by trying."""
LEAST = 40.0
"""Smallest spread that is assumed, white being 65535, so that rounding never makes a square count less."""


def squares_of(region: Region, size: tuple[int, int]) -> tuple[Box, int]:
    """The box of the picture that is used for a region, and the edge of its squares in pixels."""
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
    """Fit the surface to ``values`` (R, C, 3) of squares, with their weights ``trust`` (R, C).

    It starts from the plane that most squares lie near and is bent towards them, so that the ends of an even slope do not
    seem to stand out.
    """
    plane = _plane(values, trust)
    off = values - plane
    bent = np.zeros_like(off)
    for _ in range(ROUNDS):
        _relax(bent, off, _believed(off - bent, trust))
    return plane + bent


def _believed(off: F64, trust: F64) -> F64:
    """The weight of each square: the further it lies off, compared with all, the less."""
    distance = np.sqrt((off**2).mean(axis=2))
    spread = max(LEAST, DOUBT * float(np.median(distance)))
    return np.asarray(trust / (1 + (distance / spread) ** 2) ** 2, np.float64)


def _plane(values: F64, trust: F64) -> F64:
    """Values of the plane that most squares lie near, (R, C, 3). Sums are exact, hence the same on every machine."""
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
    """Minimise sum w (u - v)^2 + STIFF sum (difference of neighbours)^2, by sweeps over every second square in turn."""
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
    """For each place, the two squares whose middles it lies between, and the weight of the second."""
    at = np.clip((places + 0.5) / edge - 0.5, 0, count - 1)
    first = np.minimum(at.astype(np.int64), max(0, count - 2))
    return first, np.minimum(first + 1, count - 1), (at - first).astype(np.float32)


def _mixed(grid: F32, where: tuple[NDArray[np.int64], NDArray[np.int64], F32]) -> F32:
    first, second, part = where
    part = part[:, None, None]
    return np.asarray(grid[first] * (1 - part) + grid[second] * part, np.float32)
