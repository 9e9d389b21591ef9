"""More subjects of `field_kinds`: shells in dark field, dew on hairy stems."""

from __future__ import annotations

import cv2
import numpy as np

from tests.scenes import shapes, textures
from tests.scenes.field_kinds import FieldKind, Shape, layer, strands, tinted
from tests.scenes.kinds import full, ground
from tests.scenes.layers import Surface
from tests.scenes.light import Floats
from tests.scenes.textures import Random, fractal, spread

FAINT = 0.15
"""Coverage of what shines in dark field: what lies behind shines through it."""


def lattices(random: Random, shape: Shape, n: int) -> list[Surface]:
    """Glass shells pierced by rows of pores, over and through each other, and specks of dust, bright on black."""
    h, w = shape
    haze = 0.004 + 0.008 * spread(fractal(random, shape, fall=0.4))
    out = [ground(tinted(haze, (0.8, 0.9, 1)), float(n - 1))]
    for z in np.linspace(0.92, 0.08, 9):
        turn = float(random.uniform(0, np.pi))
        x, y = shapes.grid(h, w, turn=turn)
        x, y = x - random.uniform(-0.35, 0.35) * w, y - random.uniform(-0.3, 0.3) * h
        long, wide = random.uniform(0.22, 0.4) * h, random.uniform(0.07, 0.2) * h
        r = np.hypot(x / long, y / wide)
        pitch = float(random.uniform(4.5, 8))
        pore = np.cos(2 * np.pi * x / pitch) * np.cos(2 * np.pi * (y + 0.3 * x) / pitch)
        edge = np.exp(-(((r - 0.97) * wide / 2.5) ** 2))
        spine = np.exp(-((y / 1.5) ** 2)) * (r < 1)
        value = (0.25 + 1.1 * np.clip(pore, 0, 1) ** 2 + 2.2 * edge + 1.2 * spine) * random.uniform(0.7, 1.6)
        alpha = FAINT * shapes.cover(((1 - r) * wide).astype(np.float32))
        depth = (n - 1) * np.clip(z + 0.05 * x / long + 0.04 * r * r, 0, 1)
        out.append(layer(tinted(value.astype(np.float32), (0.85, 0.95, 1)), alpha, depth.astype(np.float32)))
        specks = np.zeros(shape, np.uint8)
        for _ in range(14):
            cv2.circle(specks, (int(random.integers(w)), int(random.integers(h))), 1, 255, -1, cv2.LINE_AA)
        bright = full(float(random.uniform(4, 9)), shape)
        out.append(
            layer(tinted(bright, (1, 0.95, 0.85)), FAINT * specks / np.float32(255), float(z * (n - 1)))
        )
    return out


def drops(random: Random, shape: Shape, n: int) -> list[Surface]:
    """A hairy stem before black, and drops on it: each shows a small picture of a flower that is in focus farther back."""
    h, w = shape
    x, y = shapes.grid(h, w)
    out = [ground(tinted(full(0.004, shape), (0.6, 1, 0.6)), 1.6 * (n - 1))]
    for i, z in enumerate((0.75, 0.5, 0.25)):
        middle = (i - 1) * 0.24 * w + 30 * np.sin(y / 90 + i)
        half = 0.035 * h
        skin = textures.blade(random, shape, (0.16, 0.3, 0.05))
        round_ = np.clip(np.abs(x - middle) / half, 0, 1)
        depth = (n - 1) * (z + 0.08 * round_**2)

        def root(middle: Floats = middle, half: float = half) -> tuple[float, float, float]:
            row = int(random.integers(h))
            side = float(random.choice((-1.0, 1.0)))
            at = w / 2 + float(middle[row, 0]) + side * half * float(random.uniform(0.5, 1))
            return at, float(row), float((0 if side > 0 else np.pi) + random.normal(0, 0.5))

        for back in (0.06, 0.0, -0.05):
            hairs = strands(random, shape, root, 130, 0.05 * h, 0.9)
            pale = tinted(0.35 + 0.3 * spread(fractal(random, shape, fall=0.9, octaves=3)), (0.9, 1, 0.8))
            out.append(layer(pale, hairs, float((z + back) * (n - 1))))
            if back == 0.06:
                out.append(layer(skin, shapes.cover((half - np.abs(x - middle)).astype(np.float32)), depth))
        for _ in range(4):
            at = int(random.integers(int(0.15 * h), int(0.85 * h)))
            cx = float(middle[at, 0]) + float(random.uniform(-1, 1)) * 1.2 * half
            out += _drop(
                random,
                shape,
                (cx, at - h / 2),
                float(random.uniform(0.03, 0.06) * h),
                (z - 0.07) * (n - 1),
                n,
            )
    return out


def _drop(
    random: Random, shape: Shape, at: tuple[float, float], radius: float, depth: float, n: int
) -> list[Surface]:
    """What a drop shows of a flower, a little behind it, and its dark edge and glints at its own depth."""
    x, y = shapes.grid(*shape)
    x, y = x - at[0], y - at[1]
    r = np.hypot(x, y) / radius
    petal = np.cos(np.arctan2(y, x) * 9) * 0.5 + 0.5
    flower = np.where(r < 0.18, 0.9, np.where(r < 0.62, 0.25 + 0.6 * petal, 0.06)).astype(np.float32)
    inside = tinted(flower, (0.9, 0.5, 0.75)) * np.clip(1.15 - r, 0.1, 1)[..., None].astype(np.float32)
    edge = np.exp(-(((r - 0.95) * radius / 1.5) ** 2)).astype(np.float32)
    glint = np.exp(-((np.hypot(x + 0.45 * radius, y + 0.5 * radius) / 1.6) ** 2)).astype(np.float32)
    light = np.where(glint > 0.05, 30.0, 0.01).astype(np.float32)
    return [
        layer(inside, shapes.cover(((1 - r) * radius).astype(np.float32)), float(depth + 0.1 * (n - 1))),
        layer(
            tinted(light, (1, 1, 0.95)),
            np.where(np.maximum(edge, glint) > 0.02, np.maximum(edge, glint), 0),
            float(depth),
        ),
    ]


NEAR_KINDS: dict[str, FieldKind] = {
    "lattices": FieldKind(
        build=lattices, frames=120, reach=48, jitter=0.3, breathing=0.002, drift=(14.0, -6.0)
    ),
    "drops": FieldKind(build=drops, frames=24, reach=26, breathing=0.02),
}
