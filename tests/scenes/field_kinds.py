"""Subjects that photographers bring, and that are hard to merge. Each builds its surfaces, far to near.

Light above 1 is brighter than white; depths beyond the last frame are sharp in none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import shapes, textures
from tests.scenes.camera import Sensor
from tests.scenes.kinds import Builder, full, ground
from tests.scenes.layers import Surface
from tests.scenes.light import Floats
from tests.scenes.textures import Random, fractal, spread

Shape = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class FieldKind:
    """``reach``: blur radius in pixels from one end of the depth range to the other, at 900 x 600.

    ``jitter`` px and ``roll`` rad from frame to frame, ``breathing`` change of magnification over the stack, ``dust``:
    grains on the sensor. ``drift``: pixels by which a stage creeps over the stack.
    """

    build: Builder
    frames: int
    reach: float
    jitter: float = 0.5
    roll: float = 0.0003
    breathing: float = 0.01
    dust: int = 0
    drift: tuple[float, float] = (0.0, 0.0)
    sensor: Sensor = field(default_factory=Sensor)


def tinted(value: Floats, colour: tuple[float, float, float]) -> Floats:
    """One colour at the brightness (h, w) given, nowhere quite dark."""
    return np.maximum(value[..., None] * np.array(colour, np.float32), 0.002).astype(np.float32)


def layer(
    colour: Floats, alpha: Floats, depth: Floats | float, sway: NDArray[np.float64] | None = None
) -> Surface:
    """A surface drawn on the whole canvas, cut to what is covered."""
    deep = full(depth, alpha.shape[:2]) if isinstance(depth, float | int) else depth
    x, y, w, h = cv2.boundingRect((alpha > 0).astype(np.uint8))
    box = slice(y, y + h), slice(x, x + w)
    colour, alpha, deep = (np.ascontiguousarray(a[box], np.float32) for a in (colour, alpha, deep))
    return Surface(colour=colour, alpha=alpha, depth=deep, at=(x, y), sway=sway)


def strands(
    random: Random,
    shape: Shape,
    starts: Callable[[], tuple[float, float, float]],
    count: int,
    length: float,
    width: float,
) -> Floats:
    """Coverage of thin bent lines; ``starts`` gives x, y and direction of one."""
    over, fine = 2, 4
    drawn = np.zeros((shape[0] * over, shape[1] * over), np.uint8)
    for _ in range(count):
        x, y, turn = starts()
        bend = random.normal(0, 0.03) + np.cumsum(random.normal(0, 0.03, 24))
        step = length * random.uniform(0.6, 1.2) / 24
        turns = turn + np.cumsum(bend * 0.3)
        path = np.stack([x + np.cumsum(step * np.cos(turns)), y + np.cumsum(step * np.sin(turns))], 1)
        points = np.rint(path * over * 2**fine).astype(np.int32).reshape(-1, 1, 2)
        thick = max(1, round(width * over * random.uniform(0.6, 1.3)))
        cv2.polylines(drawn, [points], False, 255, thick, cv2.LINE_AA, fine)
    small = cv2.resize(drawn, shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(small / np.float32(255), np.float32)


def blob(random: Random, shape: Shape, at: tuple[float, float], radius: tuple[float, float]) -> Floats:
    """Coverage of a round thing with a wavy outline."""
    x, y = shapes.grid(*shape)
    x, y = (x - at[0]) / radius[0], (y - at[1]) / radius[1]
    turn = np.arctan2(y, x)
    wave = 1 + sum(0.06 / k * np.cos(k * turn + random.uniform(0, 6)) for k in range(2, 9))
    return shapes.cover((wave - np.hypot(x, y)) * min(radius))


def sky(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Roofs and a mast before a clear sky, grass before them."""
    h, w = shape
    x, y = shapes.grid(h, w)
    low = np.clip(y / h + 0.5, 0, 1)[..., None]
    blue, haze = np.array([0.10, 0.22, 0.50], np.float32), np.array([0.62, 0.60, 0.58], np.float32)
    roof = 0.1 * h + 30 * (np.floor(x / 90) % 3) - 14 * np.abs(np.mod(x, 90) - 45) / 45
    houses = np.maximum(shapes.cover(y - roof), shapes.cover(1.3 - np.abs(x - 0.2 * w)) * (y > -0.35 * h))
    wall = textures.plaster(random, shape, level=0.3, grain=0.06)
    grass = tinted(0.4 + 0.9 * spread(fractal(random, shape, fall=0.95, octaves=5)), (0.10, 0.16, 0.04))
    edge = 0.33 * h + 8 * np.sin(x / 30)
    near = (n - 1) * np.clip(0.5 - 0.5 * (y - 0.33 * h) / (0.17 * h), 0, 0.5)
    return [
        ground((blue * (1 - low) + haze * low).astype(np.float32), float(n - 1)),
        layer(wall, houses, 0.8 * (n - 1)),
        layer(grass, shapes.cover(y - edge), near),
    ]


def feathers(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Feathers of fine barbs, with gaps, over bark."""
    h, w = shape
    out = [ground(textures.bark(random, shape), full(n - 1.0, shape))]
    for i in range(5):
        x, y = shapes.grid(h, w, turn=float(random.uniform(-0.6, 0.6)))
        y = y + float((i - 2) * 0.2 * h) + 40 * np.sin(x / w * 2)
        along = np.clip(x / w + 0.55, 0, 1)
        half = 0.16 * h * np.sqrt(np.maximum(np.sin(np.pi * along), 0))
        away = np.abs(y)
        barb = 0.5 + 0.5 * np.sin((x - 0.8 * away) * 1.5 + 0.6 * np.sin(x / 9))
        gap = (np.sin((x - 0.8 * away) / 9.3 + 2 * np.sin(x / 70 + i)) > 0.96) & (away > 0.03 * h)
        alpha = np.clip(half - away + 0.5, 0, 1) * ~gap * (0.4 + 0.6 * (barb > 0.3))
        alpha = np.maximum(
            cv2.GaussianBlur(alpha.astype(np.float32), (0, 0), 0.6), shapes.cover(1.8 - away) * (half > 0)
        )
        grain = spread(fractal(random, shape, fall=0.9, octaves=4))
        value = 0.12 + 0.35 * barb + 0.12 * np.sin(away / 9 + i) + 0.2 * (grain - 0.5)
        depth = (n - 1) * np.clip(0.8 - 0.17 * i + 0.12 * (along - 0.5) + 0.1 * away / (0.16 * h), 0, 0.95)
        out.append(layer(tinted(value, (0.9, 0.75, 0.6)), alpha, depth))
    return out


def watch(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Wheels of brushed metal with engraved marks and glints brighter than white, at several depths."""
    h, w = shape
    streak = cv2.resize(
        fractal(random, (h, max(8, w // 40)), fall=1.0, octaves=3), (w, h), interpolation=cv2.INTER_LINEAR
    )
    base = tinted(0.12 + 0.25 * spread(streak), (1, 0.95, 0.85))
    out = [ground(base, full(n - 1.0, shape))]
    for i, z in enumerate(np.linspace(0.85, 0.05, 7)):
        at = random.uniform(-0.4, 0.4) * w, random.uniform(-0.35, 0.35) * h
        radius = float(random.uniform(0.12, 0.27) * h)
        x, y = shapes.grid(h, w)
        x, y = x - at[0], y - at[1]
        r, turn = np.hypot(x, y), np.arctan2(y, x)
        teeth = radius * (1 + 0.05 * (np.sin(turn * 36) > 0))
        body = np.minimum(teeth - r, r - 0.12 * radius)
        if i % 2:
            spokes = np.abs(np.sin(turn * 2.5)) * r - 0.09 * radius
            body = np.minimum(body, np.maximum(np.maximum(r - 0.78 * radius, 0.3 * radius - r), -spokes))
        ring = np.interp(r, np.arange(int(r.max()) + 2), random.normal(0, 1, int(r.max()) + 2))
        sheen = 0.5 + 0.5 * np.cos(2 * turn + i)
        value = 0.06 + 0.5 * sheen**3 * (1 + 0.3 * ring) + 3 * sheen**40 * np.clip(ring, 0, 2)
        mark = np.clip(1.2 - np.abs(r - 0.6 * radius) / 2, 0, 1) * (np.sin(turn * 60) > 0)
        colour = tinted(
            np.maximum(value * (1 - 0.8 * mark), 0.004).astype(np.float32),
            (1, 0.85, 0.55) if i % 3 else (0.9, 0.95, 1),
        )
        out.append(layer(colour, shapes.cover(body.astype(np.float32)), float(z * (n - 1))))
    return out


def eye(random: Random, shape: Shape, n: int) -> list[Surface]:
    """An insect's eye of facets with a bright spot in each, hairs, before a garden far behind the last frame."""
    h, w = shape
    radius, pitch = 0.43 * h, 10.0
    x, y = shapes.grid(h, w)
    r = np.hypot(x, y) / radius
    z = np.sqrt(np.clip(1 - r * r, 0, 1))
    bent = np.arcsin(np.clip(r, 0, 1)) / np.maximum(r, 1e-3)
    v = y * bent / (pitch * np.sqrt(3) / 2)
    u = x * bent / pitch - v / 2
    away = np.full(shape, 9.0, np.float32)
    for i in (0, 1):
        for j in (0, 1):
            du, dv = u - np.floor(u) - i, v - np.floor(v) - j
            away = np.minimum(away, np.hypot(du + dv / 2, dv * np.sqrt(3) / 2).astype(np.float32) / 0.577)
    spot = np.exp(-(((away - 0.1) / 0.25) ** 2)) * np.exp(-(((r - 0.3) / 0.35) ** 2))
    grain = 1 + 0.25 * (spread(fractal(random, shape, fall=0.9, octaves=5)) - 0.5)
    value = (0.05 + 0.35 * np.clip(1 - away * away, 0, 1) + 1.5 * spot) * grain * (0.4 + 0.6 * z)
    garden = textures.ramp(
        spread(fractal(random, shape, fall=0.5)), (0.03, 0.06, 0.01), (0.12, 0.2, 0.04), (0.5, 0.2, 0.25)
    )

    def rim() -> tuple[float, float, float]:
        turn = float(random.uniform(0, 2 * np.pi))
        return w / 2 + radius * np.cos(turn), h / 2 + radius * np.sin(turn), turn

    hairs = strands(random, shape, rim, 90, 0.11 * h, 1.3)
    depth = (n - 1) * (0.1 + 0.8 * (1 - z))
    return [
        ground(garden, full(2.0 * (n - 1), shape)),
        layer(tinted(full(0.04, shape), (1, 0.8, 0.6)), hairs, 0.9 * (n - 1)),
        layer(tinted(value.astype(np.float32), (0.75, 0.3, 0.2)), shapes.cover((1 - r) * radius), depth),
    ]


def snow(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A leaf with the light behind it, over snow that is nearly white and sparkles."""
    h, w = shape
    bumps = spread(fractal(random, shape, fall=0.6))
    white = (0.72 + 0.25 * bumps + 0.06 * (spread(fractal(random, shape, fall=1.0, octaves=3)) - 0.5)).astype(
        np.float32
    )
    for _ in range(160):
        at = int(random.integers(w)), int(random.integers(h))
        cv2.circle(white, at, 1, float(random.uniform(1.5, 12)), -1, cv2.LINE_AA)
    g = shapes.grid(h, w, turn=0.5)
    alpha = shapes.cover(shapes.leaf(g, 0.62 * h, 0.25 * h, tooth=0.1))
    skin = textures.blade(random, shape, (0.55, 0.75, 0.12))
    flakes = strands(
        random,
        shape,
        lambda: (float(random.uniform(0, w)), float(random.uniform(0, h)), float(random.uniform(0, 6))),
        30,
        9,
        2.5,
    )
    along = np.clip(g[0] / (1.3 * h) + 0.5, 0, 1)
    depth = (n - 1) * np.clip(0.15 + 0.55 * along + 0.15 * np.abs(g[1]) / (0.25 * h), 0, 0.9)
    snow_depth = (n - 1) * np.clip(0.75 - 0.35 * g[1] / h, 0.6, 1)
    return [
        ground(tinted(white, (0.95, 0.98, 1.0)), snow_depth),
        layer(skin, alpha, depth),
        layer(tinted(full(0.97, shape), (1, 1, 1)), flakes, 0.1 * (n - 1)),
    ]


def page(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A printed page at an angle."""
    x, y = shapes.grid(*shape)
    return [
        ground(
            textures.printed(random, shape),
            (n - 1) * np.clip(0.5 + 0.95 * (x / shape[1] + 0.25 * y / shape[0]), 0, 1),
        )
    ]


def wind(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A view in few frames, with blades of grass before it that sway."""
    h, w = shape
    x, y = shapes.grid(h, w)
    hill = shapes.cover(y - 18 * np.sin(x / 90))
    far = textures.mineral(random, shape)
    meadow = tinted(0.35 + 0.9 * spread(fractal(random, shape, fall=0.95, octaves=6)), (0.12, 0.2, 0.05))
    out = [
        ground(far, full(n - 1.0, shape)),
        layer(meadow, hill, (n - 1) * np.clip(0.95 - 1.5 * y / h, 0.1, 0.95)),
    ]
    for i in range(5):
        z = 0.6 - 0.12 * i
        base = h * (0.75 + 0.06 * i)

        def root(base: float = base) -> tuple[float, float, float]:
            return (
                float(random.uniform(0, w)),
                float(base + random.uniform(0, 30)),
                float(-1.57 + random.normal(0, 0.25)),
            )

        blades = strands(random, shape, root, 26, (0.12 + 0.03 * i) * h, 1.2 + 0.4 * i)
        sway = random.normal(0, 1, (n, 2)) * (1.5 + 0.4 * i, 0.3)
        sway[n // 2] = 0
        shade = 0.5 + spread(fractal(random, shape, fall=0.8, octaves=4))
        out.append(layer(tinted(shade, (0.2, 0.3, 0.06)), blades, z * (n - 1), sway))
    return out


def interior(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A dim room with windows many times brighter than white, floor boards and a chair."""
    h, w = shape
    x, y = shapes.grid(h, w)
    wall = textures.plaster(random, shape, level=0.09, grain=0.08)
    across, down = np.mod(x, 0.2 * w) - 0.1 * w, y + 0.12 * h
    pane = np.minimum(0.06 * w - np.abs(across), 0.2 * h - np.abs(down))
    bars = np.minimum(np.abs(across), np.abs(np.mod(down, 0.13 * h) - 0.065 * h)) - 2
    open_ = (shapes.cover(np.minimum(pane, bars)) * (x > -0.1 * w))[..., None]
    outside = 4 * textures.ramp(
        spread(fractal(random, shape, fall=0.7)), (0.4, 0.8, 0.3), (1.5, 2.2, 3), (3, 3, 3)
    )
    board = tinted(0.6 + 0.6 * spread(fractal(random, shape, fall=0.9, octaves=5)), (0.12, 0.08, 0.045))
    seam = np.abs(np.mod(60 * x / np.maximum(y + 0.1 * h, 40), 20) - 10)[..., None]
    board = board * np.clip(seam, 0.15, 1)
    seat = np.maximum(blob(random, shape, (-0.28 * w, 0.2 * h), (0.09 * w, 0.14 * h)), 0)
    legs = shapes.cover(4 - np.abs(np.abs(x + 0.28 * w) - 0.06 * w)) * (y > 0.25 * h)
    floor = (n - 1) * np.clip(1 - (y - 0.25 * h) / (0.25 * h), 0.05, 1)
    return [
        ground(
            (wall * (1 - open_) + outside * open_).astype(np.float32),
            (n - 1) * np.clip(0.85 + 0.3 * x / w, 0.7, 1),
        ),
        layer(board, shapes.cover(y - 0.25 * h), floor),
        layer(textures.weave(random, shape, pitch=6) * 0.5, np.maximum(seat, legs), 0.3 * (n - 1)),
    ]


def jewels(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Cut stones with bright edges and glints up to 60 times white, on dark cloth."""
    h, w = shape
    out = [ground(textures.weave(random, shape, pitch=5) * 0.15, full(n - 1.0, shape))]
    for at, size, z in (
        ((-0.2, 0.0), 0.27, 0.6),
        ((0.12, -0.12), 0.22, 0.4),
        ((0.25, 0.2), 0.17, 0.2),
        ((-0.08, 0.3), 0.12, 0.08),
    ):
        x, y = shapes.grid(h, w)
        x, y = x - at[0] * w, y - at[1] * h
        r, turn = np.hypot(x, y) / (size * h), np.arctan2(y, x) / (2 * np.pi) * 14
        facet = np.floor(turn) + 31 * np.floor(r * 4)
        tone = np.mod(np.sin(facet * 12.9898 + z) * 43758.5453, 1)
        edge = np.minimum(np.abs(np.mod(turn, 1) - 0.5) * -1 + 0.5, 1) * r * size * h * 0.4
        lines = (edge < 0.8) | (np.abs(np.mod(r * 4, 1) - 0.5) > 0.47)
        value = (0.04 + 0.5 * tone**2 + 0.5 * lines).astype(np.float32)
        colour = tinted(value, textures.random_colour(random, low=0.3, high=0.8))
        glints = np.zeros(shape, np.float32)
        for _ in range(18):
            far, a = size * h * np.sqrt(random.uniform(0, 0.9)), random.uniform(0, 2 * np.pi)
            place = int(w / 2 + at[0] * w + far * np.cos(a)), int(h / 2 + at[1] * h + far * np.sin(a))
            cv2.circle(glints, place, 1, float(random.uniform(4, 60)), -1)
        out.append(
            layer(
                colour + glints[..., None],
                shapes.cover((1 - r) * size * h),
                (n - 1) * np.clip(z + 0.3 * r * r, 0, 1),
            )
        )
    return out


def petals(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A flower close by in few wide steps: the view behind it is seen faintly through its blurred petals."""
    h, w = shape
    x, y = shapes.grid(h, w)
    meadow = tinted(0.3 + 0.9 * spread(fractal(random, shape, fall=0.95, octaves=6)), (0.12, 0.2, 0.05))
    out = [
        ground(textures.mineral(random, shape), full(n - 1.0, shape)),
        layer(
            meadow,
            shapes.cover(y - 0.12 * h - 15 * np.sin(x / 80)),
            (n - 1) * np.clip(0.95 - 1.6 * (y / h - 0.12), 0.4, 0.95),
        ),
    ]
    for i in range(9):
        turn = 2.4 * i
        g = shapes.grid(h, w, turn=turn)
        g = g[0] - 0.16 * h, g[1]
        alpha = shapes.cover(shapes.leaf(g, 0.16 * h, 0.07 * h))
        vein = 0.08 * np.sin(g[1] * 1.1) + 0.12 * (spread(fractal(random, shape, fall=0.9, octaves=4)) - 0.5)
        out.append(
            layer(tinted(0.55 + vein, (0.75, 0.25 + 0.03 * i, 0.45)), alpha, (n - 1) * (0.28 - 0.02 * i))
        )
    middle = tinted(0.3 + 0.4 * spread(fractal(random, shape, fall=1.0, octaves=3)), (1, 0.8, 0.1))
    stem = shapes.cover(3 - np.abs(x)) * (y > 0)
    return [
        *out,
        layer(middle, np.maximum(blob(random, shape, (0, 0), (0.07 * h, 0.07 * h)), stem), 0.08 * (n - 1)),
    ]


def fur(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Dense hair over a rounded body, its outline before a ground that no frame has quite sharp."""
    h, w = shape
    coat = textures.ramp(
        spread(fractal(random, shape, fall=0.8, octaves=6)),
        (0.03, 0.02, 0.01),
        (0.2, 0.12, 0.06),
        (0.6, 0.45, 0.3),
    )
    body = blob(random, shape, (0, 0), (0.36 * w, 0.33 * h))
    out = [ground(textures.mineral(random, shape), full(1.25 * (n - 1), shape))]
    for z, count in ((0.75, 200), (0.5, 260), (0.25, 260)):

        def skin(z: float = z) -> tuple[float, float, float]:
            turn, far = float(random.uniform(0, 2 * np.pi)), float(np.sqrt(random.uniform(0.2, 1)))
            reach = (1.05 if z > 0.6 else 0.9) * far
            return (
                w / 2 + 0.36 * w * reach * np.cos(turn),
                h / 2 + 0.33 * h * reach * np.sin(turn),
                turn + float(random.normal(0, 0.4)),
            )

        if z == 0.5:
            out.append(layer(coat, body, (n - 1) * 0.6))
        hair = strands(random, shape, skin, count, 0.14 * h, 1.0)
        out.append(layer(coat * np.float32(1.3), hair * np.float32(0.9), (n - 1) * z))
    return out


def slide(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A stained section without fine texture, lit from behind."""
    stain = spread(fractal(random, shape, fall=0.35, octaves=7))
    colour = textures.ramp(stain, (0.55, 0.3, 0.45), (0.6, 0.52, 0.56), (0.64, 0.6, 0.6))
    return [ground(colour, (n - 1) * (0.15 + 0.7 * spread(fractal(random, shape, fall=0.3, octaves=8))))]


FIELD_KINDS: dict[str, FieldKind] = {
    "sky": FieldKind(build=sky, frames=5, reach=12, jitter=1.0, sensor=Sensor(noise=0.02, corners=0.35)),
    "feathers": FieldKind(build=feathers, frames=14, reach=22),
    "watch": FieldKind(build=watch, frames=18, reach=26, jitter=0.3),
    "eye": FieldKind(build=eye, frames=20, reach=26, breathing=0.04),
    "snow": FieldKind(build=snow, frames=10, reach=18),
    "page": FieldKind(build=page, frames=8, reach=18, jitter=4.0, roll=0.005, sensor=Sensor(noise=0.02)),
    "wind": FieldKind(build=wind, frames=5, reach=12, jitter=1.5),
    "interior": FieldKind(build=interior, frames=6, reach=14, jitter=1.0, sensor=Sensor(noise=0.02)),
    "jewels": FieldKind(build=jewels, frames=16, reach=24, jitter=0.3),
    "petals": FieldKind(build=petals, frames=6, reach=34, jitter=1.5),
    "fur": FieldKind(build=fur, frames=14, reach=22),
    "slide": FieldKind(build=slide, frames=12, reach=20, breathing=0.004, dust=14),
}
