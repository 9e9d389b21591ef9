"""Regions of mends: polygons in the picture, the pixels inside them, and the distances of the others.

Coordinates are those of IIIF and SVG: x to the right, y down, with 0 at the outer edge of the first pixel, so that the
middle of column c lies at c + .5. A pixel belongs to a region if its middle lies inside (SVG's fill rule 'nonzero').
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import UsageError
from nearfar.merge.mending.boxes import Box

MOST_POINTS = 5000
"""Corners of a region: each costs a pass over the rows that it crosses (our own limit)."""
MOST_EDGE = 128
"""The widest soft edge, pixels."""
Point = tuple[float, float]
F32 = NDArray[np.float32]
FAR = np.float32(1e6)
"""Coordinates from which on a corner is no place in a picture."""


@dataclass(frozen=True, kw_only=True)
class Region:
    """Closed polygons, filled by the rule 'nonzero': what two of them surround in opposite directions is outside."""

    polygons: tuple[tuple[Point, ...], ...]

    @classmethod
    def of_box(cls, x: float, y: float, width: float, height: float) -> Region:
        """A rectangle as a region."""
        corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
        return cls(polygons=(corners,))

    def checked(self, size: tuple[int, int]) -> Region:
        """The same region, checked against a picture of that size (width, height).

        Raises
        ------
        UsageError
            It has no corners or too many, a corner that is not finite, or no pixel of the picture inside.
        """
        points = [point for polygon in self.polygons for point in polygon]
        if not self.polygons or any(len(polygon) < 3 for polygon in self.polygons):
            raise UsageError("region: found fewer than three corners; draw a region with an inside")
        if len(points) > MOST_POINTS:
            raise UsageError(f"region: found {len(points)} corners; at most {MOST_POINTS} are possible")
        if not all(math.isfinite(value) and abs(value) < FAR for point in points for value in point):
            raise UsageError("region: found a corner that is no place in a picture; give finite numbers")
        x, y, width, height = self.bounds(size)
        if width <= 0 or height <= 0 or not self._any_inside((x, y, width, height)):
            raise UsageError(
                f"region: found no pixel of the picture in it, which has {size[0]} x {size[1]}; draw it on the picture"
            )
        return self

    def _any_inside(self, box: Box) -> bool:
        x, y, width, height = box
        step = max(1, (1 << 22) // width)
        return any(
            self.inside((x, top, width, min(step, y + height - top))).any()
            for top in range(y, y + height, step)
        )

    def bounds(self, size: tuple[int, int], margin: int = 0) -> Box:
        """The smallest box with all pixels within ``margin`` of the region, cut to the picture (width, height)."""
        xs = [x for polygon in self.polygons for x, _ in polygon]
        ys = [y for polygon in self.polygons for _, y in polygon]
        left, top = max(0, math.floor(min(xs)) - margin), max(0, math.floor(min(ys)) - margin)
        right, bottom = min(size[0], math.ceil(max(xs)) + margin), min(size[1], math.ceil(max(ys)) + margin)
        return left, top, max(0, right - left), max(0, bottom - top)

    def inside(self, box: Box) -> NDArray[np.bool_]:
        """Mask of the pixels of a box that belong to the region, (height, width)."""
        left, top, width, height = box
        turns = np.zeros((height, width + 1), np.int32)
        for polygon in self.polygons:
            for start, end in zip(polygon, (*polygon[1:], polygon[0]), strict=True):
                _count_crossing(turns, start, end, left, top)
        return np.asarray(np.cumsum(turns[:, :-1], axis=1) != 0)

    def as_json(self) -> list[list[list[float]]]:
        """The corners of each polygon, as lists, for keys and reports."""
        return [[[float(x), float(y)] for x, y in polygon] for polygon in self.polygons]


def _count_crossing(turns: NDArray[np.int32], start: Point, end: Point, left: int, top: int) -> None:
    """Add a side's direction at the first pixel to its right, in every row whose middle it crosses."""
    (x0, y0), (x1, y1) = start, end
    if y0 == y1:
        return
    sign, low, high = (1, y0, y1) if y0 < y1 else (-1, y1, y0)
    first = max(0, math.ceil(low - top - 0.5))
    last = min(turns.shape[0], math.ceil(high - top - 0.5))
    if first >= last:
        return
    rows = np.arange(first, last)
    at = x0 + (rows + (top + 0.5) - y0) * ((x1 - x0) / (y1 - y0))
    columns = np.clip(np.ceil(at - left - 0.5), 0, turns.shape[1] - 1).astype(np.int64)
    turns[rows, columns] += sign


def distances(inside: NDArray[np.bool_], reach: int) -> F32:
    """Distance of each pixel to the nearest one inside, in pixels; some value above ``reach`` for those further away.

    Exact: squares are whole numbers until the root is taken, so that results are the same on every machine. Cost:
    ``reach`` + 1 passes over the box.
    """
    rows, cols = inside.shape
    far = (reach + 1) ** 2
    across = np.full((rows, cols), far, np.int32)
    index = np.arange(cols, dtype=np.int32)
    before = np.maximum.accumulate(np.where(inside, index, -far - cols), axis=1)
    after = np.minimum.accumulate(np.where(inside, index, far + 2 * cols)[:, ::-1], axis=1)[:, ::-1]
    steps = np.minimum(index - before, after - index)
    near = steps <= reach
    across[near] = np.square(steps[near], dtype=np.int32)
    best = across.copy()
    for down in range(1, min(reach, rows - 1) + 1):
        step = np.int32(down * down)
        np.minimum(best[down:], across[:-down] + step, out=best[down:])
        np.minimum(best[:-down], across[down:] + step, out=best[:-down])
    return np.sqrt(best.astype(np.float32))


def ramp(distance: F32, width: float) -> F32:
    """Weights for distances: 1 in the region, 0 from ``width`` pixels on, falling smoothly between (3 t^2 - 2 t^3)."""
    t = np.clip(1 - distance / np.float32(max(width, 1.0)), np.float32(0), np.float32(1))
    return np.asarray(t * t * (3 - 2 * t), np.float32)
