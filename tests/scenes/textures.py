"""Procedural surfaces: everything a scene shows is computed here from a seeded generator."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.scenes.light import Floats

Random = np.random.Generator
Shape = tuple[int, int]
WORDS = [
    "velm", "orrin", "tasso", "quild", "brenna", "ostel", "kivar", "munt", "37", "sorrel",
    "204", "fenn", "lathe", "pim", "hallow", "9", "udo", "wex",
]  # fmt: skip


def fractal(random: Random, shape: Shape, *, fall: float = 0.6, octaves: int = 8) -> Floats:
    """Sum of smooth noises from coarse to one pixel, 0..1; ``fall`` is the amplitude from octave to octave."""
    out, weight = np.zeros(shape, np.float32), 1.0
    for octave in range(octaves):
        step = 2 ** (octaves - 1 - octave)
        small: Floats = random.standard_normal((shape[0] // step + 4, shape[1] // step + 4)).astype(
            np.float32
        )
        if step > 1:
            grown = cv2.resize(small, None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
            small = grown[step : step + shape[0], step : step + shape[1]]
        out += np.float32(weight) * small[: shape[0], : shape[1]]
        weight *= fall
    low, high = out.min(), out.max()
    return np.asarray((out - low) / (high - low), np.float32)


def spread(field: Floats) -> Floats:
    """Stretch to 0..1 between the 1st and 99th hundredth, so that contrast does not hang on outliers."""
    low, high = np.quantile(field[::7, ::7], [0.01, 0.99])
    return np.asarray(np.clip((field - low) / (high - low), 0, 1), np.float32)


def ramp(field: Floats, *colours: tuple[float, float, float]) -> Floats:
    """Colours (linear) along 0..1."""
    at = np.linspace(0, 1, len(colours))
    return np.stack([np.interp(field, at, [c[i] for c in colours]) for i in range(3)], -1).astype(np.float32)


def cells(random: Random, shape: Shape, pitch: float) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Distances to the nearest and second nearest of scattered points, and the nearest one's number."""
    ny, nx = int(shape[0] / pitch) + 3, int(shape[1] / pitch) + 3
    grid = np.stack(np.meshgrid(np.arange(nx), np.arange(ny)), -1).reshape(-1, 2) - 1.0
    grid[:, 0] += 0.5 * (grid[:, 1] % 2)
    points = (grid + random.uniform(-0.35, 0.35, grid.shape)) * pitch
    y, x = np.mgrid[: shape[0], : shape[1]]
    found, number = cKDTree(points).query(np.stack([x, y], -1).reshape(-1, 2), k=2, workers=2)
    return (
        found[:, 0].reshape(shape).astype(np.float32),
        found[:, 1].reshape(shape).astype(np.float32),
        number[:, 0].reshape(shape),
    )


def random_colour(random: Random, *, low: float = 0.03, high: float = 0.6) -> tuple[float, float, float]:
    """A muted linear colour."""
    level = np.exp(random.uniform(np.log(low), np.log(high)))
    tint = np.exp(random.normal(0, 0.35, 3))
    r, g, b = np.clip(level * tint / tint.mean(), 0.004, 0.85)
    return float(r), float(g), float(b)


def mineral(random: Random, shape: Shape, *, contrast: float = 1.0) -> Floats:
    """Stone: coarse patches, veins and grain down to the pixel."""
    patch = spread(fractal(random, shape, fall=0.62))
    vein = 1 - np.abs(2 * spread(fractal(random, shape, fall=0.55)) - 1)
    grain = spread(fractal(random, shape, fall=0.95, octaves=4))
    mix = np.clip(0.5 + contrast * (0.7 * (patch - 0.5) + 0.5 * (grain - 0.5) + 0.35 * (vein**6 - 0.2)), 0, 1)
    dark = random_colour(random, low=0.01, high=0.06)
    return ramp(
        mix, dark, random_colour(random, low=0.08, high=0.3), random_colour(random, low=0.4, high=0.8)
    )


def weave(random: Random, shape: Shape, *, pitch: float = 7.0) -> Floats:
    """Cloth: threads over and under, fibres, uneven dye."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    bend = 3 * pitch * (fractal(random, shape, fall=0.4) - 0.5)
    u, v = (x + bend) / pitch, (y - bend) / pitch
    over = np.where((np.floor(u) + np.floor(v)) % 2 > 0, np.abs(np.sin(np.pi * u)), np.abs(np.sin(np.pi * v)))
    fibre = spread(fractal(random, shape, fall=1.0, octaves=3))
    dye = spread(fractal(random, shape, fall=0.6))
    value = np.clip(0.15 + 0.5 * over + 0.35 * (fibre - 0.5) + 0.3 * (dye - 0.5), 0, 1)
    pale = random_colour(random, low=0.3, high=0.7)
    return ramp(
        value, random_colour(random, low=0.008, high=0.04), random_colour(random, low=0.1, high=0.3), pale
    )


def plaster(random: Random, shape: Shape, *, level: float | None = None, grain: float = 0.05) -> Floats:
    """A plain wall: one colour, faint shading, fine bumps lit from the side."""
    bump = fractal(random, shape, fall=0.9, octaves=4)
    lit = bump - np.roll(bump, 1, (0, 1))
    shade = fractal(random, shape, fall=0.45)
    base = random_colour(random, low=0.12, high=0.5) if level is None else (level, level * 0.94, level * 0.85)
    value = 1 + grain * lit / lit.std() + 0.25 * (shade - 0.5)
    return np.asarray(np.clip(value[..., None] * np.array(base, np.float32), 0.002, 1), np.float32)


def bark(random: Random, shape: Shape) -> Floats:
    """Long ridges with cracks."""
    stretched = fractal(random, (shape[0], shape[1] // 6 + 8), fall=0.75)
    ridge = cv2.resize(stretched, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC).T
    ridge = spread(
        cv2.resize(np.ascontiguousarray(ridge), (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    )
    grain = spread(fractal(random, shape, fall=0.95, octaves=4))
    value = np.clip(0.8 * ridge + 0.35 * grain - 0.1, 0, 1)
    return ramp(value, (0.01, 0.008, 0.006), (0.10, 0.07, 0.045), (0.33, 0.25, 0.17))


def blade(random: Random, shape: Shape, colour: tuple[float, float, float]) -> Floats:
    """Leaf skin: small cells with pale borders, veins from the middle line, blotches."""
    near, second, _ = cells(random, shape, 6.0)
    border = np.clip(1 - (second - near) / 1.6, 0, 1)
    blotch = spread(fractal(random, shape, fall=0.6))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    middle = np.abs(y - shape[0] / 2)
    vein = np.clip(1.5 - np.abs(((x + 0.8 * middle) / 22) % 1 - 0.5) * 22, 0, 1) + np.clip(2.5 - middle, 0, 1)
    grain = fractal(random, shape, fall=1.0, octaves=2)
    value = 0.55 + 0.5 * blotch + 0.35 * border + 0.6 * np.clip(vein, 0, 1) + 0.6 * (grain - 0.5)
    return np.asarray(np.clip(value[..., None] * np.array(colour, np.float32), 0.002, 0.95), np.float32)


def printed(random: Random, shape: Shape, *, ink: float = 0.015) -> Floats:
    """Paper with lines of invented words."""
    page = np.zeros((shape[0] * 2, shape[1] * 2), np.uint8)
    y = 20
    while y < page.shape[0]:
        scale = float(random.choice([0.7, 0.9, 1.3, 2.0]))
        line = " ".join(random.choice(WORDS, 80))
        cv2.putText(
            page,
            line,
            (int(random.integers(-80, 20)), y),
            cv2.FONT_HERSHEY_COMPLEX,
            scale,
            255,
            1 + int(scale > 1.2),
            cv2.LINE_AA,
        )
        y += int(34 * scale) + 8
    mask = (
        cv2.resize(page, (shape[1], shape[0]), interpolation=cv2.INTER_AREA).astype(np.float32)[..., None]
        / 255
    )
    paper = plaster(random, shape, level=float(random.uniform(0.45, 0.75)), grain=0.02)
    return np.asarray(paper * (1 - mask) + ink * mask, np.float32)


def any_rich(random: Random, shape: Shape) -> Floats:
    """One of the detailed textures."""
    pick = int(random.integers(5))
    if pick == 0:
        return mineral(random, shape, contrast=float(random.uniform(0.5, 1.2)))
    if pick == 1:
        return weave(random, shape, pitch=float(random.uniform(4, 12)))
    if pick == 2:
        return bark(random, shape)
    if pick == 3:
        return printed(random, shape)
    return blade(random, shape, random_colour(random, low=0.08, high=0.4))
