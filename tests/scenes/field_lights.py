"""More subjects of `field_kinds`: lights far out of focus, lights by night, a shell that mirrors them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import shapes, textures
from tests.scenes.camera import Sensor
from tests.scenes.field_kinds import FieldKind, Shape, blob, layer, strands, tinted
from tests.scenes.kinds import full, ground
from tests.scenes.layers import Surface
from tests.scenes.textures import Random, fractal, spread


def bokeh(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A blossom whose far ground is light between leaves: disks that no frame has small."""
    h, w = shape
    leaves = tinted(0.2 + 0.8 * spread(fractal(random, shape, fall=0.6)), (0.08, 0.14, 0.03))
    for _ in range(70):
        at = int(random.integers(w)), int(random.integers(h))
        cv2.circle(
            leaves, at, 2, tuple(float(v) for v in random.uniform(4, 60) * np.array((1, 0.95, 0.7))), -1
        )
    out = [ground(leaves, full(2.2 * (n - 1), shape))]
    stem = shapes.cover(5 - np.abs(shapes.grid(h, w)[0])) * (shapes.grid(h, w)[1] > 0)
    out.append(
        layer(textures.blade(random, shape, (0.1, 0.25, 0.05)), stem.astype(np.float32), 0.6 * (n - 1))
    )
    for i in range(11):
        g = shapes.grid(h, w, turn=2.4 * i)
        reach = (0.2 - 0.006 * i) * h
        g = g[0] - reach, g[1]
        alpha = shapes.cover(shapes.leaf(g, reach, 0.09 * h))
        vein = 0.08 * np.sin(g[1] * 1.3) + 0.15 * (spread(fractal(random, shape, fall=0.9, octaves=4)) - 0.5)
        along = np.clip(g[0] / reach + 1, 0, 2)
        depth = (n - 1) * np.clip(0.72 - 0.045 * i - 0.1 * along, 0.05, 1)
        out.append(layer(tinted(0.5 + vein, (0.85, 0.45 + 0.03 * i, 0.6)), alpha, depth.astype(np.float32)))
    heart = tinted(0.25 + 0.6 * spread(fractal(random, shape, fall=1.0, octaves=4)), (1, 0.7, 0.08))
    return [*out, layer(heart, blob(random, shape, (0, 0), (0.07 * h, 0.07 * h)), 0.1 * (n - 1))]


def night(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A front by night: lit windows, lamps far brighter than white, a railing before them."""
    h, w = shape
    x, y = shapes.grid(h, w)
    sky = tinted(0.5 + 0.5 * np.clip(0.5 - y / h, 0, 1), (0.006, 0.008, 0.014))
    u, v = np.mod(x, 0.11 * w) - 0.055 * w, np.mod(y, 0.16 * h) - 0.08 * h
    pane = np.minimum(0.032 * w - np.abs(u), 0.05 * h - np.abs(v))
    bars = np.minimum(np.abs(u), np.abs(v + 0.015 * h)) - 1.5
    number = (np.floor(x / (0.11 * w)) * 7 + np.floor(y / (0.16 * h)) * 13).astype(np.int64)
    lit = random.uniform(0, 1, 4096)[np.mod(number, 4096)]
    glow = np.where(lit > 0.55, 6 * (lit - 0.5) ** 2 * 9, 0.004)
    inside = glow * (0.5 + 0.7 * spread(fractal(random, shape, fall=0.7)))
    open_ = shapes.cover(np.minimum(pane, bars).astype(np.float32))[..., None]
    wall = textures.plaster(random, shape, level=0.03, grain=0.15)
    course = np.where(np.abs(np.mod(y, 12) - 6) < 0.7, 0.5, 1.0)[..., None]
    front = wall * course * (1 - open_) + tinted(inside, (1, 0.75, 0.4)) * open_
    roof = shapes.cover((y + 0.36 * h + 8 * np.sin(x / 40)).astype(np.float32))
    street = tinted(0.3 + 0.9 * spread(fractal(random, shape, fall=0.95, octaves=6)), (0.03, 0.026, 0.02))
    out = [
        ground(sky, float(n - 1)),
        layer(
            front.astype(np.float32), roof, ((n - 1) * np.clip(0.85 + 0.3 * x / w, 0.7, 1)).astype(np.float32)
        ),
        layer(
            street,
            shapes.cover((y - 0.25 * h).astype(np.float32)),
            ((n - 1) * np.clip(0.8 - 0.8 * (y - 0.25 * h) / (0.25 * h), 0, 0.8)).astype(np.float32),
        ),
    ]
    for at, z in ((-0.3, 0.55), (0.05, 0.4), (0.33, 0.3)):
        pole = (np.abs(x - at * w) < 2) & (y > -0.12 * h) & (y < 0.33 * h)
        bulb = shapes.cover((5 - np.hypot(x - at * w, y + 0.13 * h)).astype(np.float32))
        colour = tinted(np.where(bulb > 0, 40.0, 0.02).astype(np.float32), (1, 0.85, 0.6))
        out.append(layer(colour, np.maximum(pole.astype(np.float32), bulb), z * (n - 1)))
    rail = np.maximum(3 - np.abs(y - 0.36 * h), np.where(y > 0.36 * h, 2 - np.abs(np.mod(x, 60) - 30), -9))
    iron = tinted(0.5 + spread(fractal(random, shape, fall=0.9, octaves=4)), (0.02, 0.02, 0.022))
    return [*out, layer(iron, shapes.cover(rail.astype(np.float32)), 0.06 * (n - 1))]


def beetle(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Wing cases of small facets that mirror the lamps, dark legs with hairs, a pale ground beyond."""
    h, w = shape
    x, y = shapes.grid(h, w)
    r = np.hypot(x / (0.3 * w), y / (0.3 * h))
    z = np.sqrt(np.clip(1 - r * r, 0, 1))
    near, second, number = textures.cells(random, shape, 9.0)
    lean = random.normal(0, 1, (int(number.max()) + 1, 2))[number]
    mirror = np.exp(-((lean[..., 0] - 3 * x / w) ** 2 + (lean[..., 1] - 3 * y / h) ** 2) / 0.12)
    border = np.clip((second - near) / 1.8, 0, 1)
    grain = 0.7 + 0.6 * spread(fractal(random, shape, fall=0.95, octaves=4))
    value = (0.02 + 0.05 * z) * grain * (0.3 + 0.7 * border) + 5 * mirror * border
    seam = np.clip(np.abs(y) / 1.5, 0.1, 1)
    ground_ = textures.ramp(
        spread(fractal(random, shape, fall=0.75)), (0.3, 0.28, 0.2), (0.5, 0.48, 0.4), (0.65, 0.62, 0.5)
    )
    out = [ground(ground_, full(1.15 * (n - 1), shape))]
    for i in range(6):
        side, place = (-1) ** i, (i // 2 - 1) * 0.16 * w
        bend = random.uniform(-0.3, 0.3)
        path = np.array(
            [
                (place, 0.2 * side * h),
                (place + bend * 0.2 * w, 0.34 * side * h),
                (place + (bend + 0.3) * 0.2 * w, 0.47 * side * h),
            ]
        )
        drawn = np.zeros(shape, np.uint8)
        points = np.rint((path + np.array((w / 2, h / 2))) * 16).astype(np.int32)
        cv2.polylines(drawn, [points.reshape(-1, 1, 2)], False, 255, 9, cv2.LINE_AA, 4)

        def hair(path: NDArray[np.float64] = path) -> tuple[float, float, float]:
            t = float(random.uniform(0, 2))
            at = path[int(t)] + (t - int(t)) * (path[min(int(t) + 1, 2)] - path[int(t)])
            return (
                float(at[0] + w / 2),
                float(at[1] + h / 2),
                float(random.uniform(-0.6, 0.6) + (np.pi if random.random() < 0.5 else 0)),
            )

        fuzz = strands(random, shape, hair, 50, 0.025 * h, 1.0)
        leg = np.maximum(drawn / np.float32(255), fuzz).astype(np.float32)
        shine = 0.012 + 0.05 * spread(fractal(random, shape, fall=0.9, octaves=5))
        depth = (n - 1) * np.clip(0.8 + 0.5 * (np.abs(y) / h - 0.3), 0.5, 1.05)
        out.append(layer(tinted(shine, (1, 0.8, 0.6)), leg, depth.astype(np.float32)))
    depth = (n - 1) * (0.08 + 0.72 * (1 - z))
    body = shapes.cover(((1 - r) * 0.3 * h).astype(np.float32))
    return [
        *out,
        layer(tinted((value * seam).astype(np.float32), (0.6, 0.9, 0.5)), body, depth.astype(np.float32)),
    ]


LIGHT_KINDS: dict[str, FieldKind] = {
    "bokeh": FieldKind(build=bokeh, frames=16, reach=24),
    "night": FieldKind(build=night, frames=6, reach=14, jitter=1.0, sensor=Sensor(noise=0.03)),
    "beetle": FieldKind(build=beetle, frames=60, reach=40, jitter=0.3),
}
