"""The spots found on a sensor, how they are stored, and what a frame gets in their place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import Pixels

KINDS = ("hot", "dead", "dust")
AROUND = 3.0
"""Pixels around a filled place over which the filters of a warp spread it."""
SHADE = 0.985
"""Dust that lets a larger share of the light through is ignored."""
MOST_TOLD = 200
"""Places that the report lists, largest first."""
Integers = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Spot:
    """One place.

    ``kind``: "hot" (brighter than it should be), "dead" (darker), or "dust". ``x``, ``y``: its middle, in frame pixels.
    ``reach``: half the side of the square that is filled, pixels. ``light``: for dust, the share of light that comes
    through at 0, 1, 2 ... pixels from the middle; empty where the place is filled from around.
    """

    kind: str
    x: float
    y: float
    reach: int
    light: tuple[float, ...] = ()

    @property
    def radius(self) -> float:
        """Pixels around the middle in which another frame is preferred."""
        shaded = [r for r, share in enumerate(self.light) if share < SHADE]
        return (shaded[-1] + 1 if shaded else self.reach * 1.42) + AROUND


@dataclass(frozen=True, kw_only=True)
class Spots:
    """All places of a stack's sensor, and a remark where none were looked for."""

    places: tuple[Spot, ...] = ()
    why_not: str | None = None

    def table(self) -> NDArray[np.float32] | None:
        """(n, 3): x, y and radius, sorted by y; None where there are none."""
        if not self.places:
            return None
        rows = sorted((s.y, s.x, s.radius) for s in self.places)
        return np.array([[x, y, r] for y, x, r in rows], np.float32)

    def cells(self, shape: tuple[int, int], side: int) -> NDArray[np.bool_]:
        """Cells (R, C) of a frame of which some pixel lies on a spot."""
        out = np.zeros(shape, np.bool_)
        for s in self.places:
            low = [max(0, int((v - s.radius) // side)) for v in (s.y, s.x)]
            high = [int((v + s.radius) // side) + 1 for v in (s.y, s.x)]
            out[low[0] : high[0], low[1] : high[1]] = True
        return out

    def fill(
        self, pixels: Pixels, light: NDArray[np.float32]
    ) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
        """What a frame has on the spots: runs (r, 4) and samples (p, 3), see `TileKernel`.

        Parameters
        ----------
        light
            Sample to linear light of that frame.
        """
        runs: list[tuple[int, int, int, int]] = []
        samples: list[NDArray[np.uint16]] = []
        count = 0
        places = sorted(self.places, key=lambda s: (s.y, s.x))
        around = iter(_from_around([s for s in places if not s.light], pixels))
        for spot in places:
            (y0, x0), patch = _shaded(spot, pixels, light) if spot.light else next(around)
            for row in range(patch.shape[0]):
                runs.append((y0 + row, x0, patch.shape[1], count))
                count += patch.shape[1]
            samples.append(patch.reshape(-1, 3))
        runs.sort(key=lambda run: run[0])
        return (
            np.array(runs, np.int32).reshape(-1, 4),
            np.concatenate(samples) if samples else np.zeros((0, 3), np.uint16),
        )

    def as_json(self) -> dict[str, Any]:
        """As the report tells it: how many of each kind, and where the largest are."""
        counts = Counter(s.kind for s in self.places)
        told = sorted(self.places, key=lambda s: (-s.radius, s.y, s.x))[:MOST_TOLD]
        places = [{"kind": s.kind, "at": [round(s.x, 1), round(s.y, 1)], "radius": s.reach} for s in told]
        return {"counts": {k: counts[k] for k in KINDS}, "places": places, "why_not": self.why_not}

    def text(self) -> str | None:
        """One sentence, or None where there is nothing to tell."""
        counts = Counter(s.kind for s in self.places)
        words = {"hot": "hot pixel", "dead": "dead pixel", "dust": "spot of dust"}
        plural = {"hot": "hot pixels", "dead": "dead pixels", "dust": "spots of dust"}
        told = [f"{counts[k]} {words[k] if counts[k] == 1 else plural[k]}" for k in KINDS if counts[k]]
        if not told:
            return None
        return f"{', '.join(told)} of the sensor: other frames give these places where they can, else they are filled"

    def stored(self) -> dict[str, Any]:
        """As JSON, with everything."""
        return {"why_not": self.why_not, "places": [vars(s) for s in self.places]}

    @classmethod
    def from_stored(cls, stored: Mapping[str, Any]) -> Spots:
        """Inverse of `stored`."""
        places = tuple(Spot(**{**s, "light": tuple(s["light"])}) for s in stored["places"])
        return cls(places=places, why_not=stored["why_not"])


def _box(spot: Spot, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """Rows and columns (y0, y1, x0, x1) of a spot's square inside the frame."""
    y, x, r = round(spot.y), round(spot.x), spot.reach
    return max(0, y - r), min(shape[0], y + r + 1), max(0, x - r), min(shape[1], x + r + 1)


def _from_around(spots: Sequence[Spot], pixels: Pixels) -> list[tuple[tuple[int, int], NDArray[np.uint16]]]:
    """Of each spot a square whose pixels lie on straight lines between those left and right, and above and below, of it.

    Squares of one size are filled in one go: a sensor may have a thousand spots, which every frame needs.
    """
    boxes = np.array([_box(spot, pixels.shape) for spot in spots], np.int64).reshape(-1, 4)
    sizes = np.stack([boxes[:, 1] - boxes[:, 0], boxes[:, 3] - boxes[:, 2]], axis=1)
    out: dict[int, tuple[tuple[int, int], NDArray[np.uint16]]] = {}
    for rows, cols in {(int(h), int(w)) for h, w in sizes}:
        which = np.flatnonzero((sizes == (rows, cols)).all(axis=1))
        corners = boxes[which][:, [0, 2]]
        filled = _filled(corners[:, 0, None, None], corners[:, 1, None, None], (rows, cols), pixels)
        for k, (y0, x0), patch in zip(which, corners, filled, strict=True):
            out[int(k)] = (int(y0), int(x0)), patch
    return [out[k] for k in range(len(spots))]


def _filled(y0: Integers, x0: Integers, size: tuple[int, int], pixels: Pixels) -> NDArray[np.uint16]:
    """Squares (n, rows, cols, 3) with corners at ``y0``, ``x0`` (n, 1, 1)."""
    (height, width), (rows, cols) = pixels.shape, size
    dy, dx = np.arange(rows)[:, None], np.arange(cols)[None]
    across, down = (dx + 1)[..., None] / (cols + 1), (dy + 1)[..., None] / (rows + 1)

    def at(y: Integers, x: Integers) -> NDArray[np.float64]:
        y, x = np.broadcast_arrays(np.clip(y, 0, height - 1), np.clip(x, 0, width - 1))
        return pixels.at(y, x).astype(np.float64)

    level = at(y0 + dy, x0 - 1) * (1 - across) + at(y0 + dy, x0 + cols) * across
    upright = at(y0 - 1, x0 + dx) * (1 - down) + at(y0 + rows, x0 + dx) * down
    return np.asarray(np.rint((level + upright) / 2).astype(np.uint16))


def _shaded(
    spot: Spot, pixels: Pixels, light: NDArray[np.float32]
) -> tuple[tuple[int, int], NDArray[np.uint16]]:
    """The frame's own pixels with the light that the dust took given back."""
    y0, y1, x0, x1 = _box(spot, pixels.shape)
    y, x = np.mgrid[y0:y1, x0:x1]
    away = np.sqrt((y - spot.y) ** 2 + (x - spot.x) ** 2)
    share = np.interp(away, np.arange(len(spot.light) + 1), [*spot.light, 1.0])
    curve = light.astype(np.float64)
    given = np.minimum(curve[pixels.at(y, x)] / share[..., None], 1.0)
    return (y0, x0), np.rint(np.interp(given, curve, np.arange(curve.size))).astype(np.uint16)
