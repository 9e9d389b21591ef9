"""Dust: soft dark spots that stay on the sensor while the scene moves under them.

Looked for in the surveys' small pictures (linear light, a quarter of the size) at several scales, then measured at full
size. Only where the scene moved by a good part of the spot's size can one be told from the other; where it did not,
dust does no more harm than in a single frame, and is left alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.sensor.spots import Spot
from nearfar.merge.sensor.view import SensorFrame, carried, scene_at, spread_over

F32 = NDArray[np.float32]
LOOKED_AT = 8
"""Frames, spread over the stack, in which dust is looked for, each against another."""
VERIFIED = 12
"""Frames in which a spot is measured."""
SIDE = 4
"""Pixels of the frame in one of the small picture."""
FLOOR = 0.002
"""Added to linear light before its logarithm: what is nearly black tells nothing."""
INNER, OUTER = 1.2, 3.6
"""Sigmas of the two Gaussians whose difference a spot stands out of, in pixels of a level."""
LEVELS = 3
"""Scales at which dust is looked for, each twice as coarse as the one before."""
DARKER = 0.012
"""Least depth in that difference, as a natural logarithm of light, against where the scene went."""
SURE = 5.0
"""That depth over its standard error among the frames."""
APART = 0.7
"""Share of a spot's radius that the scene should have moved between the two frames that are compared."""
ROUND = 0.6
"""Share of the depth that nothing around a spot, twice its size away, may have: it is no part of a line."""
EVEN, ALIKE = 0.5, 0.85
"""Depth of a spot in the weakest frames over that in the strongest; correlation of its look with what is round."""
LARGEST = 64
"""Pixels from its middle to where a spot ends at the most."""
MOST = 120
"""Candidates that are measured."""
NODES = 8
"""Places of a level from one to the next of those at which it is worked out where they lie in another frame."""
LOOSE = 1.3
"""Radii of a spot that the scene should have moved between the frames by which it is measured."""
PARTNERS = 2
"""Frames that each frame is measured against."""
FEWEST = 4
"""Pairs of frames without which nothing is measured."""
ENDS = 0.012
"""Logarithm of light at which a spot ends."""


def find_dust(frames: Sequence[SensorFrame], single: Sequence[Spot], tick: Callable[[], None]) -> list[Spot]:
    """Spots of dust, each with the light that it lets through by distance from its middle; none if nothing moved enough.

    Parameters
    ----------
    frames
        Used frames of the stack, in its order.
    single
        Hot and dead pixels, which are not looked at.
    tick
        Called after each pair of frames that was compared.

    Returns
    -------
    Deepest first, at most 120. Middles in px of the frame, to a fraction; ``reach`` in px; ``light`` 0..1 at 0, 1, 2 ... px
    from the middle.

    Notes
    -----
    A spot is darker than its surroundings, by five standard errors among the frames, each compared with the same place of
    the scene in another frame. At most 8 frames are looked at, at 3 scales.
    """
    holes = sorted({(int(s.y) // SIDE, int(s.x) // SIDE) for s in single})
    found: list[tuple[float, float, float, float]] = []
    for level in range(LEVELS):
        radius = 2 * INNER * (SIDE << level)
        pairs = _pairs(frames, APART * radius)
        if pairs:
            found += _candidates(_evidence(frames, pairs, level, holes, tick), SIDE << level)
    return _measured(frames, found) if found else []


def _pairs(frames: Sequence[SensorFrame], apart: float) -> list[tuple[int, int]]:
    """Frames to look in, and for each the nearest in focus over which the scene has moved so many pixels."""
    height, width = frames[0].pixels.shape
    places = np.array([[x * width, y * height] for y in (0.1, 0.5, 0.9) for x in (0.1, 0.5, 0.9)])
    scene = scene_at(frames, places[:, 0], places[:, 1])
    out = []
    for j in spread_over(len(frames), LOOKED_AT):
        moved = np.median(np.hypot(*np.moveaxis(scene - scene[j], -1, 0)), axis=1)
        for k in sorted(range(len(frames)), key=lambda k: abs(k - j)):
            if moved[k] >= apart:
                out.append((j, k))
                break
    return out


@dataclass(frozen=True, kw_only=True)
class _Evidence:
    """Over the pairs, of each place of a level: mean difference to where the scene went, and its standard error."""

    mean: F32
    error: F32


def _evidence(
    frames: Sequence[SensorFrame],
    pairs: Sequence[tuple[int, int]],
    level: int,
    holes: Sequence[tuple[int, int]],
    tick: Callable[[], None],
) -> _Evidence:
    total = square = np.zeros(0, np.float32)
    for j, k in pairs:
        one = _response(frames[j], level, holes)
        one -= _carried(_response(frames[k], level, holes), frames[j], frames[k], SIDE << level)
        if not total.size:
            total, square = np.zeros_like(one), np.zeros_like(one)
        total += one
        one *= one
        square += one
        tick()
    count = np.float32(len(pairs))
    mean = total / count
    spread = np.sqrt(np.maximum(square / count - mean * mean, 0))
    return _Evidence(mean=mean, error=spread / np.sqrt(np.maximum(count - 1, np.float32(1))))


def _response(frame: SensorFrame, level: int, holes: Sequence[tuple[int, int]]) -> F32:
    """How much brighter each place of a level is than around it, as a natural logarithm."""
    plane = np.log(frame.read_small() + np.float32(FLOOR))
    for y, x in holes:
        around = plane[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3]
        if around.size:
            plane[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2] = np.median(around)
    for _ in range(level):
        plane = np.asarray(cv2.resize(plane, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32)
    return np.asarray(
        cv2.GaussianBlur(plane, (0, 0), INNER) - cv2.GaussianBlur(plane, (0, 0), OUTER), np.float32
    )


def _carried(plane: F32, one: SensorFrame, other: SensorFrame, side: int) -> F32:
    """The other frame's plane as it lies in the first one's geometry."""
    middle = (side - 1) / 2
    x, y = (np.arange(0, n + NODES, NODES, dtype=np.float64) for n in plane.shape[::-1])
    nodes = carried(one, other, *np.meshgrid(side * x + middle, side * y + middle))
    across, down = np.meshgrid(
        *(np.arange(n, dtype=np.float32) / np.float32(NODES) for n in plane.shape[::-1])
    )
    u, v = (
        cv2.remap(((n - middle) / side).astype(np.float32), across, down, cv2.INTER_LINEAR) for n in nodes
    )
    return np.asarray(cv2.remap(plane, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def _candidates(found: _Evidence, side: int) -> list[tuple[float, float, float, float]]:
    """Spots of one level: depth, x, y in frame pixels, and scale in pixels."""
    mean = found.mean
    if min(mean.shape) < 16:
        return []
    lowest = cv2.erode(mean, np.ones((5, 5), np.uint8))
    chosen = (mean <= -DARKER) & (mean <= -SURE * found.error) & (mean <= lowest)
    chosen[:3] = chosen[-3:] = chosen[:, :3] = chosen[:, -3:] = False
    y, x = np.nonzero(chosen)
    single = _stand_alone(mean, y, x)
    return [
        (float(mean[b, a]), (float(a) + 0.5) * side - 0.5, (float(b) + 0.5) * side - 0.5, INNER * side)
        for a, b in zip(x[single], y[single], strict=True)
    ]


def _stand_alone(mean: F32, y: NDArray[np.int64], x: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where nothing at a distance of six, in sixteen directions, is nearly as dark."""
    turn = np.arange(16) * (np.pi / 8)
    rows = np.clip(y[:, None] + np.rint(6 * np.sin(turn)).astype(int), 0, mean.shape[0] - 1)
    cols = np.clip(x[:, None] + np.rint(6 * np.cos(turn)).astype(int), 0, mean.shape[1] - 1)
    return np.asarray((mean[rows, cols] >= ROUND * mean[y, x][:, None]).all(axis=1))


def _measured(frames: Sequence[SensorFrame], found: list[tuple[float, float, float, float]]) -> list[Spot]:
    """Spots at full size, deepest first, each place once."""
    out: list[Spot] = []
    for _, x, y, scale in sorted(found)[:MOST]:
        if any(np.hypot(s.x - x, s.y - y) < s.reach + 2 * scale for s in out):
            continue
        spot = _measure(frames, x, y, scale)
        if spot is not None:
            out.append(spot)
    return out


def _measure(frames: Sequence[SensorFrame], x: float, y: float, scale: float) -> Spot | None:
    """Middle, and light by distance from it: medians over pairs of frames, one of which saw the scene beside the spot."""
    half = min(LARGEST, int(5 * scale))
    looks = _differences(frames, x, y, half, 2 * LOOSE * scale)
    if looks is None:
        return None
    rows, cols = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    mean = np.median(looks, axis=0)
    near = np.hypot(rows, cols) <= 2 * scale
    dark = np.where(near, np.minimum(cv2.GaussianBlur(mean, (0, 0), 1.5) + 0.01, 0), 0)
    if dark.sum() >= 0:
        return None
    dy, dx = float((dark * rows).sum() / dark.sum()), float((dark * cols).sum() / dark.sum())
    away = np.hypot(rows - dy, cols - dx)
    profile = _profile(looks, away, half)
    end = int(np.argmax(profile > -ENDS))
    if not 2 <= end <= half - 2:
        return None
    shade = np.interp(away, np.arange(end + 1), [*profile[:end], 0.0])
    if not (_even(looks, shade) and _is_round(mean, shade, away <= 1.5 * end)):
        return None
    light = np.round(np.exp(profile[:end]) * 4096) / 4096
    return Spot(kind="dust", x=round(x) + dx, y=round(y) + dy, reach=end, light=tuple(light.tolist()))


def _profile(looks: NDArray[np.float64], away: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Logarithm of the light at 0, 1, 2 ... pixels from the middle, never falling outwards."""
    ring = np.minimum(np.rint(away).astype(int), half + 1)
    counts = np.maximum(np.bincount(ring.ravel(), minlength=half + 2), 1)
    rings = np.stack([np.bincount(ring.ravel(), look.ravel(), half + 2) / counts for look in looks])
    profile = np.median(rings, axis=0)[: half + 1]
    profile[:2] = np.median(profile[:3])  # the innermost rings are a few pixels
    return np.minimum(np.maximum.accumulate(profile), 0)


def _differences(
    frames: Sequence[SensorFrame], x: float, y: float, half: int, apart: float
) -> NDArray[np.float64] | None:
    """(m, 2 half + 1, 2 half + 1): logarithm of light around a place of one frame less that of another where the scene
    went; None where the place is too near to an edge.
    """
    height, width = frames[0].pixels.shape
    if not (half <= round(x) < width - half and half <= round(y) < height - half):
        return None
    rows, cols = np.mgrid[round(y) - half : round(y) + half + 1, round(x) - half : round(x) + half + 1]
    places = scene_at(frames, np.array([x]), np.array([y]))[:, 0]
    out = []
    for j in spread_over(len(frames), VERIFIED):
        moved = np.hypot(*(places - places[j]).T)
        order = sorted(range(len(frames)), key=lambda k: abs(k - j))
        far = [k for k in order if moved[k] >= apart] or [int(np.argmax(moved))]
        own = np.log(_light(frames[j], rows, cols) + FLOOR)
        for k in far[:PARTNERS]:
            other = _light_where(frames[j], frames[k], rows, cols)
            if other is not None:
                look = own - np.log(other + FLOOR)
                out.append(look - np.median(look))
    return np.stack(out) if len(out) >= FEWEST else None


def _light(frame: SensorFrame, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> F32:
    samples = frame.pixels.at(rows, cols)
    return np.asarray(frame.pixels.table[samples].mean(axis=-1), np.float32)


def _light_where(
    one: SensorFrame, other: SensorFrame, rows: NDArray[np.int64], cols: NDArray[np.int64]
) -> F32 | None:
    """Light of the other frame where it has the scene that the first has at these pixels."""
    x, y = carried(one, other, cols.astype(np.float64), rows.astype(np.float64))
    left, top, right, bottom = (int(v) for v in (x.min(), y.min(), x.max() + 2, y.max() + 2))
    height, width = other.pixels.shape
    if left < 0 or top < 0 or right >= width or bottom >= height:
        return None
    box = _light(other, *np.mgrid[top : bottom + 1, left : right + 1])
    at = (x - left).astype(np.float32), (y - top).astype(np.float32)
    return np.asarray(cv2.remap(box, *at, cv2.INTER_LINEAR), np.float32)


def _even(looks: NDArray[np.float64], shade: NDArray[np.float64]) -> bool:
    """Whether the same shade lies over every frame: nearly as deep in the weakest as in the strongest."""
    shade = shade - shade.mean()
    each = np.array([float((look * shade).sum() / np.square(shade).sum()) for look in looks])
    low, high = np.quantile(each, (0.1, 0.9))
    return bool(low >= EVEN * high > 0)


def _is_round(mean: NDArray[np.float64], shade: NDArray[np.float64], inside: NDArray[np.bool_]) -> bool:
    """Whether the spot looks the same all around."""
    soft = cv2.GaussianBlur(mean, (0, 0), 1.0)
    return bool(np.corrcoef(soft[inside], shade[inside])[0, 1] >= ALIKE)
