"""What a frame is bent by beyond its pose: a smooth displacement, cubic in the picture's x and y (nf_bend of nearfar.h).

A similarity holds what a camera's shift, breathing and roll do. It does not hold a camera's tilt, a rail's perspective or a
lens whose distortion changes with focus; a cubic holds all three. This is the specification of what nearfar.h evaluates.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
TERMS = 10
"""Coefficients of each axis: of 1, X, Y, X², XY, Y², X³, X²Y, XY², Y³."""
BEYOND = 64
"""Pixels around the picture that windows of the kernel may reach: X and Y stay within -1..1 there."""
NUMBERS = 5 + 2 * TERMS
MOST_BEND, MOST_STEEP = 24.0, 0.2
"""Pixels, and change from a pixel to the next, that warp.h has room for."""
_PLACES = np.meshgrid(np.linspace(-1, 1, 17), np.linspace(-1, 1, 17))
_INVERTED = 4
"""Rounds after which an inverse is as good as said, for bends as steep as any."""
_BETWEEN = 1.05
"""Times the slopes there that those in between may be."""


@dataclass(frozen=True, kw_only=True)
class Bend:
    """Displacement in pixels of the frame, at the picture's (x, y): cubics in X = (x - centre_x) per and Y likewise.

    ``per``: X of a pixel. ``x``, ``y``: `TERMS` coefficients in pixels, in the order given there.
    """

    centre_x: float
    centre_y: float
    per: float
    x: tuple[float, ...]
    y: tuple[float, ...]

    @classmethod
    def of(cls, size: tuple[int, int], x: Sequence[float], y: Sequence[float]) -> Bend:
        """Of frames of a picture of that (width, height); ``x`` and ``y`` are `TERMS` coefficients in pixels."""
        return cls(
            centre_x=(size[0] - 1) / 2,
            centre_y=(size[1] - 1) / 2,
            per=1 / per_of(size),
            x=tuple(float(v) for v in x),
            y=tuple(float(v) for v in y),
        )

    @property
    def largest(self) -> float:
        """Pixels that no displacement exceeds on either axis where X and Y lie in -1..1."""
        return max(sum(abs(c) for c in axis) for axis in (self.x, self.y))

    @property
    def steep(self) -> float:
        """By which no displacement changes more from a pixel to the next."""
        x, y = _PLACES
        slopes = [
            np.abs(value).max()
            for p in (self.x, self.y)
            for value in (
                p[1] + 2 * p[3] * x + p[4] * y + 3 * p[6] * x * x + 2 * p[7] * x * y + p[8] * y * y,
                p[2] + p[4] * x + 2 * p[5] * y + p[7] * x * x + 2 * p[8] * x * y + 3 * p[9] * y * y,
            )
        ]
        return float(max(slopes)) * _BETWEEN * self.per

    def at(self, x: F64, y: F64) -> tuple[F64, F64]:
        """Displacements (u, v), frame pixels, at places of the picture; arrays of one shape, in the kernel's order."""
        across, down = (x - self.centre_x) * self.per, (y - self.centre_y) * self.per
        return _cubic(self.x, across, down), _cubic(self.y, across, down)

    def seen_from(self, left: int, top: int) -> Bend:
        """The same for a window of the picture whose top left pixel is (left, top)."""
        return replace(self, centre_x=self.centre_x - left, centre_y=self.centre_y - top)

    def numbers(self) -> F64:
        """As nearfar.h has it, (`NUMBERS`,)."""
        place = [self.centre_x, self.centre_y, self.per, self.largest, self.steep]
        return np.array([*place, *self.x, *self.y], np.float64)

    def as_json(self) -> dict[str, list[float]]:
        """The coefficients; the rest comes from the picture's size."""
        return {"x": list(self.x), "y": list(self.y)}


def per_of(size: tuple[int, int]) -> float:
    """Pixels of the picture from its centre to X or Y = 1."""
    return max(size) / 2 + BEYOND


def from_json(stored: Mapping[str, Any] | None, size: tuple[int, int]) -> Bend | None:
    """Inverse of `Bend.as_json`. Raises ValueError, KeyError or TypeError where it is damaged."""
    if stored is None:
        return None
    x, y = ([float(v) for v in stored[axis]] for axis in ("x", "y"))
    if len(x) != TERMS or len(y) != TERMS or not np.isfinite([*x, *y]).all():
        raise ValueError(f"{len(x)} and {len(y)} coefficients of a bend in place of {TERMS}")
    return Bend.of(size, x, y)


def table_of(bends: Sequence[Bend | None]) -> F64 | None:
    """(n, `NUMBERS`) for the kernel, zeros for a frame that is not bent; None where none is."""
    if all(b is None for b in bends):
        return None
    return np.stack([np.zeros(NUMBERS) if b is None else b.numbers() for b in bends])


def _cubic(p: Sequence[float], x: F64, y: F64) -> F64:
    r0 = p[0] + y * (p[2] + y * (p[5] + y * p[9]))
    r1 = p[1] + y * (p[4] + y * p[8])
    r2 = p[3] + y * p[7]
    return np.asarray(r0 + x * (r1 + x * (r2 + x * p[6])))


def onto_frame(pose: F64, bend: Bend | None, x: F64, y: F64) -> tuple[F64, F64]:
    """Where places of the picture lie in a frame of that pose (2, 3) and bend; pixels, arrays of one shape."""
    u, v = (p[0] * x + p[1] * y + p[2] for p in pose)
    if bend is None:
        return u, v
    du, dv = bend.at(x, y)
    return u + du, v + dv


def onto_picture(pose: F64, bend: Bend | None, u: F64, v: F64) -> tuple[F64, F64]:
    """Inverse of `onto_frame`, to a hundredth of a pixel for bends within `MOST_BEND` and `MOST_STEEP`."""
    back = np.linalg.inv(pose[:, :2])
    x, y = (b[0] * (u - pose[0, 2]) + b[1] * (v - pose[1, 2]) for b in back)
    if bend is None:
        return x, y
    flat = x, y
    for _ in range(_INVERTED):
        du, dv = bend.at(x, y)
        x, y = (p - b[0] * du - b[1] * dv for p, b in zip(flat, back, strict=True))
    return x, y
