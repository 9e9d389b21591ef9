"""The kinds of scenes. Each builds its surfaces, far to near, from size and seed alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from tests.scenes import shapes, textures
from tests.scenes.layers import Surface
from tests.scenes.light import Floats
from tests.scenes.textures import Random, fractal, random_colour, spread

Builder = Callable[[Random, tuple[int, int], int], list[Surface]]


@dataclass(frozen=True, kw_only=True)
class Kind:
    """``reach``: blur radius in pixels, at 1 megapixel, from one end of the depth range to the other."""

    build: Builder
    frames: int
    size: tuple[int, int]
    reach: float
    breathing: float = 0.002
    noise: float = 0.004
    shot: float = 0.0
    flicker: float = 0.0
    rail: float = 0.0
    exposure: float = 0.0


def full(value: float, shape: tuple[int, int]) -> Floats:
    return np.full(shape, value, np.float32)


def ground(colour: Floats, depth: Floats | float) -> Surface:
    shape = colour.shape[:2]
    deep = full(depth, shape) if isinstance(depth, float | int) else depth.astype(np.float32)
    return Surface(colour=colour, alpha=full(1, shape), depth=deep)


def slope(random: Random, shape: tuple[int, int], low: float, high: float, *, wave: float = 0.1) -> Floats:
    """Depth that runs across the picture with a smooth wave, within low..high."""
    turn = random.uniform(0.2, 0.8) * np.pi
    x = shapes.grid(*shape, turn=turn)[0]
    along = x / np.abs(x).max() / 2 + 0.5 + wave * (fractal(random, shape, fall=0.25, octaves=9) - 0.5)
    return np.asarray(low + (high - low) * np.clip(along, 0, 1), np.float32)


def hairs(random: Random, shape: tuple[int, int], n: int) -> list[Surface]:
    """Threads of 1 to 5 pixels crossing at many depths before a textured, gently sloping ground."""
    last, (h, w) = n - 1, shape
    make = textures.weave if random.random() < 0.5 else textures.mineral
    scene = [ground(make(random, shape), slope(random, shape, 0.82 * last, last))]
    count = int(46 * h * w / 1.2e6) + 6
    for z in np.sort(random.uniform(0, 0.78, count))[::-1]:
        end = float(np.clip(z + (random.normal(0, 0.12) if random.random() < 0.4 else 0), 0, 0.8))
        start = float(random.uniform(0, w)), float(random.uniform(0, h))
        path = shapes.hair_path(random, start, float(random.uniform(0.25, 0.9) * h))
        colour = (
            random_colour(random, low=0.006, high=0.03)
            if random.random() < 0.6
            else (random_colour(random, low=0.35, high=0.8))
        )
        scene.append(
            shapes.hair(
                random,
                path,
                width=float(random.uniform(1, 5)),
                colour=colour,
                taper=float(random.uniform(0, 0.6)),
                depth=(float(z) * last, end * last),
            )
        )
    return scene


def doorways(random: Random, shape: tuple[int, int], n: int) -> list[Surface]:
    """Receding walls with hard-edged openings: one house's plain paint and fine plaster, stone at the end."""
    last, (h, w) = n - 1, shape
    scene = [ground((0.6 * textures.mineral(random, shape, contrast=0.45)).astype(np.float32), float(last))]
    house = np.array(random_colour(random, low=0.25, high=0.45))
    walls = n
    x, y = shapes.grid(h, w)
    for i in range(1, walls):
        share = i / walls
        half_w, half_h = w * (0.12 + 0.36 * share), h * (0.12 + 0.34 * share)
        cx, cy = random.uniform(-0.05, 0.05, 2) * (1 - share) * w
        opening = np.minimum(half_w - np.abs(x - cx), half_h - np.abs(y - cy))
        if random.random() < 0.5:
            top = np.hypot(x - cx, np.minimum(y - cy + half_h * 0.35, 0) * (half_w / (half_h * 0.65)))
            opening = np.minimum(opening, half_w - top)
        grain = float(random.choice([0.0, 0.012, 0.03]))
        wall = textures.plaster(random, shape, level=1.0, grain=grain) * house * random.uniform(0.7, 1.3)
        border = np.clip(1 - np.abs(-opening - 14) / 2.2, 0, 1)[..., None]
        wall = wall * (1 - 0.3 * border)
        scene.append(
            Surface(
                colour=wall.astype(np.float32),
                alpha=shapes.cover(-opening.astype(np.float32)),
                depth=full(_step(random, n - 1 - i), shape),
            )
        )
    return scene


def _step(random: Random, frame: int) -> float:
    """A depth that some frame has nearly in focus."""
    return float(max(0.0, frame + random.uniform(-0.08, 0.08)))


def dome(random: Random, shape: tuple[int, int], n: int) -> list[Surface]:
    """A smooth glossy dome: pits, plates and scratches, bright reflections, on a dim cloth."""
    last, (h, w) = n - 1, shape
    cloth = textures.weave(random, shape, pitch=9) * 0.6
    scene = [ground(cloth.astype(np.float32), float(last))]
    radius = 0.47 * h
    side = int(2 * radius + 8)
    x, y = shapes.grid(side, side)
    r = np.hypot(x, y) / radius
    z = np.sqrt(np.clip(1 - r * r, 0, 1))
    near, second, number = textures.cells(random, (side, side), 17.0)
    seam = np.clip(1 - (second - near) / 2.2, 0, 1)
    pits = np.clip(1.6 - textures.cells(random, (side, side), 9.0)[0], 0, 1)
    tint = np.random.default_rng(int(random.integers(1 << 30))).normal(0, 0.12, int(number.max()) + 1)[number]
    fine = fractal(random, (side, side), fall=0.8, octaves=5) - 0.5
    light = 0.25 + 0.75 * np.clip(0.55 * z - 0.45 * x / radius - 0.5 * y / radius, 0, 1)
    value = light * (1 + tint - 0.55 * seam - 0.7 * pits + 0.7 * fine)
    base = np.array(random_colour(random, low=0.1, high=0.25), np.float32)
    bump = cv2.GaussianBlur((seam + pits).astype(np.float32), (0, 0), 1.2)
    bx, by = np.gradient(bump, axis=1) * 0.8, np.gradient(bump, axis=0) * 0.8
    shine = _shine(x / radius + bx, y / radius + by, z, (-0.42, -0.5), 190) + 0.4 * _shine(
        x / radius + bx, y / radius + by, z, (0.5, -0.2), 60
    )
    colour = np.clip(value[..., None] * base + 0.85 * shine[..., None], 0.003, 0.97).astype(np.float32)
    depth = (1 - z) * 0.93 * last
    at = (w - side) // 2 + int(random.integers(-20, 20)), (h - side) // 2
    scene.append(
        Surface(
            colour=colour,
            alpha=shapes.cover(((1 - r) * radius).astype(np.float32)),
            depth=depth.astype(np.float32),
            at=at,
        )
    )
    return scene


def _shine(x: Floats, y: Floats, z: Floats, toward: tuple[float, float], narrow: float) -> Floats:
    across = (x - toward[0]) ** 2 + (y - toward[1]) ** 2
    return (np.exp(-across * narrow) * (z > 0)).astype(np.float32)


def occlusion(random: Random, shape: tuple[int, int], n: int) -> list[Surface]:
    """Rich slopes behind leaves, boards and letters that hide much of them."""
    last, (h, w) = n - 1, shape
    scene = [ground(textures.any_rich(random, shape), slope(random, shape, 0.55 * last, last))]
    things = [("leaf", 9), ("board", 6), ("letter", 8)]
    names = [name for name, count in things for _ in range(count)]
    random.shuffle(names)
    for z, name in zip(np.sort(random.uniform(0, 0.9, len(names)))[::-1], names, strict=True):
        scene.append(_thing(random, name, (h, w), float(z), last))
    return scene


def _thing(random: Random, name: str, shape: tuple[int, int], z: float, last: int) -> Surface:
    h, w = shape
    size = float(random.uniform(0.08, 0.2) * h)
    if name == "letter":
        alpha = shapes.letter(random, str(random.choice(list("BEGKMNPRSXZ358"))), int(size * 1.4))
        box = alpha.shape
        tilt = 0.0
        colour = textures.plaster(random, (box[0], box[1]), grain=0.05)
    else:
        side = int(2.3 * size)
        turn = float(random.uniform(0, 2 * np.pi))
        g = shapes.grid(side, side, turn=turn)
        if name == "leaf":
            d = shapes.leaf(
                g, size * 1.1, size * random.uniform(0.35, 0.6), tooth=float(random.choice([0, 0.12]))
            )
        else:
            d = shapes.rim(random, shapes.polygon(random, g, size), rough=float(random.choice([0, 0, 1.0])))
        edge = np.minimum.reduce([np.arange(side), side - 1 - np.arange(side)]).astype(np.float32)
        d = np.minimum(d, np.minimum(edge[:, None], edge[None]) - 2)
        alpha = shapes.cover(d)
        tilt = float(random.normal(0, 0.1)) if random.random() < 0.5 else 0.0
        green = (0.06 * random.uniform(0.5, 2), 0.16 * random.uniform(0.5, 2), 0.03)
        colour = (
            textures.blade(random, (side, side), green)
            if name == "leaf"
            else textures.any_rich(random, (side, side))
        )
        if name == "leaf":
            colour = _turned(colour, turn)
    x, _ = shapes.grid(*alpha.shape[:2], turn=float(random.uniform(0, 6)))
    depth = np.clip(z + tilt * x / size, 0, 0.97) * last
    at = int(random.uniform(-0.3 * size, w - 1.2 * size)), int(random.uniform(-0.3 * size, h - 1.2 * size))
    return Surface(colour=colour.astype(np.float32), alpha=alpha, depth=depth.astype(np.float32), at=at)


def _turned(colour: Floats, turn: float) -> Floats:
    middle = (colour.shape[0] - 1) / 2
    c, s = np.cos(turn), np.sin(turn)
    back = np.array([[c, s, middle * (1 - c - s)], [-s, c, middle * (1 + s - c)]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(colour, back, colour.shape[1::-1], flags=flags, borderMode=cv2.BORDER_REFLECT)
    return np.clip(out, 0.002, 0.97).astype(np.float32)


def foliage(random: Random, shape: tuple[int, int], n: int) -> list[Surface]:
    """Many small leaves at all depths; a fifth of them sway, more each frame away from the middle one."""
    last, (h, w) = n - 1, shape
    scene = [ground(textures.bark(random, shape), slope(random, shape, 0.8 * last, last))]
    for z in np.sort(random.uniform(0, 0.85, 40))[::-1]:
        s = _thing(random, "leaf", (h, w), float(z), last)
        sway = None
        if random.random() < 0.2:
            push = random.normal(0, 6, 2)
            phase = random.uniform(0, 6)
            k = np.arange(n) - n // 2
            sway = np.sin(k * 0.9 + phase)[:, None] * push - np.sin(phase) * push
        scene.append(Surface(colour=s.colour, alpha=s.alpha, depth=s.depth, at=s.at, sway=sway))
    return scene


def micro(random: Random, shape: tuple[int, int], n: int) -> list[Surface]:
    """As through a microscope: a knobbly shell with scales and bristles, razor-thin depth of field."""
    last, (h, w) = n - 1, shape
    near = textures.cells(random, shape, 34.0)[0]
    knob = np.sqrt(np.clip(1 - (near / 24) ** 2, 0, 1))
    x, y = shapes.grid(h, w)
    bowl = np.clip((x / w) ** 2 + (y / h) ** 2, 0, 0.5) * 1.6
    rough: Floats = np.clip(0.06 + bowl * 1.05 + 0.12 * (1 - knob), 0, 1) * last
    depth = cv2.GaussianBlur(rough.astype(np.float32), (0, 0), 3)
    fine = textures.cells(random, shape, 5.0)
    value = 0.35 + 0.5 * knob - 0.3 * np.clip(1 - (fine[1] - fine[0]) / 1.3, 0, 1)
    value = value * (0.7 + 0.6 * spread(fractal(random, shape, fall=0.9, octaves=5)))
    colour = textures.ramp(np.clip(value, 0, 1), (0.01, 0.012, 0.02), (0.05, 0.12, 0.14), (0.5, 0.42, 0.2))
    shine = np.exp(-((near - 6) ** 2) / 6) * 0.25
    scene = [ground(np.clip(colour + shine[..., None], 0, 0.95).astype(np.float32), depth)]
    for z in np.sort(random.uniform(0, 0.5, 18))[::-1]:
        path = shapes.hair_path(random, (float(random.uniform(0, w)), float(random.uniform(0, h))), 0.3 * h)
        scene.append(
            shapes.hair(
                random,
                path,
                width=float(random.uniform(1.5, 3.5)),
                taper=0.8,
                depth=(float(z) * last, float(z) * last),
                colour=(0.02, 0.015, 0.01),
            )
        )
    return scene


KINDS: dict[str, Kind] = {
    "hairs": Kind(build=hairs, frames=24, size=(1200, 900), reach=22),
    "doorways": Kind(build=doorways, frames=6, size=(1200, 900), reach=10),
    "dome": Kind(build=dome, frames=60, size=(1200, 900), reach=24),
    "occlusion": Kind(build=occlusion, frames=12, size=(1200, 900), reach=20),
    "foliage": Kind(build=foliage, frames=16, size=(1200, 900), reach=18),
    "lowlight": Kind(
        build=occlusion, frames=12, size=(1200, 900), reach=16, noise=0.012, shot=0.01, exposure=-2
    ),
    "micro": Kind(build=micro, frames=200, size=(640, 480), reach=36, breathing=0.004),
    "flicker": Kind(build=occlusion, frames=12, size=(1200, 900), reach=16, flicker=0.1),
    "rail": Kind(build=occlusion, frames=12, size=(1200, 900), reach=18, rail=0.003, breathing=0.0),
}
