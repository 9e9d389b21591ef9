"""Outlines of objects: signed distances in pixels, positive inside, turned into coverage."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.layers import Surface
from tests.scenes.light import Floats
from tests.scenes.textures import Random, fractal

Grid = tuple[Floats, Floats]


def cover(distance: Floats) -> Floats:
    """Coverage of a pixel whose centre lies ``distance`` inside the outline."""
    return np.clip(distance + 0.5, 0, 1).astype(np.float32)


def grid(height: int, width: int, *, turn: float = 0.0) -> Grid:
    """(x, y) about the middle of the grid, turned by ``turn`` radians."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    x -= (width - 1) / 2
    y -= (height - 1) / 2
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    return x * c + y * s, y * c - x * s


def leaf(g: Grid, length: float, breadth: float, *, tooth: float = 0.0) -> Floats:
    """Pointed at both ends, with an optional toothed rim."""
    u = np.clip(g[0] / length, -1, 1)
    half = breadth * (1 - u * u) * (1 - 0.25 * u)
    if tooth:
        half = half * (1 - tooth * ((np.abs(g[0]) / 9) % 1))
    inside = half - np.abs(g[1])
    slope = np.sqrt(1 + (2 * breadth * u / length) ** 2)
    return np.where(np.abs(g[0]) > length, -9, inside / slope).astype(np.float32)


def polygon(random: Random, g: Grid, size: float) -> Floats:
    """Convex, three to six straight sides."""
    sides = int(random.integers(3, 7))
    turns = np.linspace(0, 2 * np.pi, sides, endpoint=False) + random.uniform(-0.35, 0.35, sides)
    edges = [random.uniform(0.5, 0.9) * size - g[0] * np.cos(t) - g[1] * np.sin(t) for t in turns]
    return np.min(np.stack(edges), 0).astype(np.float32)


def letter(random: Random, text: str, height: int) -> Floats:
    """Coverage of a bold letter, drawn large and reduced."""
    scale, over = height / 22, 4
    face = int(random.choice([cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_TRIPLEX]))
    thick = int(height * 0.13 * over)
    (w, h), base = cv2.getTextSize(text, face, scale * over, thick)
    big = np.zeros(
        ((h + base + 2 * thick) // over * over + over, (w + 2 * thick) // over * over + over), np.uint8
    )
    cv2.putText(big, text, (thick, h + thick), face, scale * over, 255, thick, cv2.LINE_AA)
    small = cv2.resize(big, None, fx=1 / over, fy=1 / over, interpolation=cv2.INTER_AREA)
    return np.asarray(small / np.float32(255), np.float32)


def hair_path(
    random: Random, start: tuple[float, float], length: float, *, steps: int = 48
) -> NDArray[np.float64]:
    """(steps + 1, 2) points of a gently bending line."""
    turn = random.uniform(0, 2 * np.pi)
    bend = np.cumsum(random.normal(0, 0.05, steps)) + random.normal(0, 0.9) * np.linspace(0, 1, steps)
    step = np.stack([np.cos(turn + bend), np.sin(turn + bend)], 1) * length / steps
    return np.asarray(np.vstack([[0, 0], np.cumsum(step, 0)]) + np.array(start))


def hair(
    random: Random,
    path: NDArray[np.float64],
    *,
    width: float,
    taper: float,
    depth: tuple[float, float],
    colour: tuple[float, float, float],
) -> Surface:
    """A round thread along ``path`` with a bright side, its depth running from end to end."""
    low = np.floor(path.min(0) - width - 3).astype(int)
    high = np.ceil(path.max(0) + width + 4).astype(int)
    w, h = (high - low).tolist()
    y, x = np.mgrid[:h, :w].astype(np.float32)
    best = np.full((h, w), 1e9, np.float32)
    along, side = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    points = (path - low).astype(np.float32)
    for i, (a, b) in enumerate(itertools.pairwise(points)):
        d = b - a
        r = int(width + 4)
        x0, y0 = np.maximum(np.floor(np.minimum(a, b) - r), 0).astype(int)
        x1, y1 = (np.ceil(np.maximum(a, b) + r) + 1).astype(int)
        part = slice(y0, y1), slice(x0, x1)
        px, py = x[part] - a[0], y[part] - a[1]
        t = np.clip((px * d[0] + py * d[1]) / max(float(d @ d), 1e-6), 0, 1)
        distance = np.hypot(px - t * d[0], py - t * d[1])
        near = distance < best[part]
        best[part] = np.where(near, distance, best[part])
        along[part] = np.where(near, (i + t) / (len(points) - 1), along[part])
        side[part] = np.where(near, px * d[1] - py * d[0], side[part]) if near.any() else side[part]
    half = width / 2 * (1 - taper * along)
    alpha = np.clip(half - best + 0.5, 0, 1) * np.minimum(1, 2 * half)
    spot = np.clip(1 - np.abs(best - 0.3 * half) / np.maximum(half, 0.5), 0, 1) * (side > 0)
    scales = 1 + 0.25 * np.sin(along * len(path) * 9 + 2 * best)
    shade = (scales * (0.8 + 0.9 * spot)).astype(np.float32)
    deep = depth[0] + (depth[1] - depth[0]) * along
    if abs(depth[1] - depth[0]) > 1e-6:
        deep = _spread_along(deep, alpha)
    return Surface(
        colour=np.clip(shade[..., None] * np.array(colour, np.float32), 0.002, 0.95).astype(np.float32),
        alpha=alpha.astype(np.float32),
        depth=deep.astype(np.float32),
        at=(int(low[0]), int(low[1])),
    )


def _spread_along(deep: NDArray[np.float64], alpha: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry the depth of the nearest covered pixel over the whole box."""
    free = (alpha <= 0).astype(np.uint8)
    _, label = cv2.distanceTransformWithLabels(free, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    values = np.zeros(int(label.max()) + 1)
    values[label[free == 0]] = deep[free == 0]
    return np.asarray(values[label])


def rim(random: Random, distance: Floats, *, rough: float) -> Floats:
    """An outline that wanders by about ``rough`` pixels."""
    if rough <= 0:
        return distance
    wander = fractal(random, distance.shape, fall=0.6, octaves=6) - 0.5
    return (distance + rough * 4 * wander).astype(np.float32)
