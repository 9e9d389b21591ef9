"""Brackets as a sensor with hot and dead pixels and dust would have taken them, with the truth about each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.scenes import light
from tests.scenes.light import Floats
from tests.scenes.scene import Scene

SMEAR = np.array([[0.25, 0.5, 0.25], [0.5, 1, 0.5], [0.25, 0.5, 0.25]], np.float32)
"""What bilinear demosaicing makes of one pixel of one colour."""


@dataclass(frozen=True, kw_only=True)
class Flaw:
    """``kind``: hot, dead or dust; ``x``, ``y`` frame pixels; ``size``: linear light added or taken, or depth of dust;
    ``radius`` of dust in pixels; ``colour``: channel, None for all.
    """

    kind: str
    x: int
    y: int
    size: float
    radius: float = 0.0
    colour: int | None = None


def flaws(
    random: np.random.Generator, size: tuple[int, int], *, hot: int = 0, dead: int = 0, dust: int = 0
) -> list[Flaw]:
    """Flaws at least 24 px away from the edges and from each other."""
    out: list[Flaw] = []
    for kind in ["dust"] * dust + ["hot"] * hot + ["dead"] * dead:
        while True:
            x, y = (int(random.integers(24, v - 24)) for v in size)
            radius = float(random.uniform(4, 8)) if kind == "dust" else 1.0
            if all(np.hypot(f.x - x, f.y - y) > 12 + 2 * radius + 2 * f.radius for f in out):
                break
        strength = random.uniform(0.06, 0.3) if kind == "dust" else random.uniform(0.1, 0.9)
        colour = None if kind != "hot" or random.random() < 0.3 else int(random.integers(3))
        out.append(Flaw(kind=kind, x=x, y=y, size=float(strength), radius=radius, colour=colour))
    return out


def shade(shape: tuple[int, int], flaw: Flaw) -> Floats:
    """Share of light (h, w) that a grain of dust lets through: a soft-edged disc."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    away = np.hypot(x - flaw.x, y - flaw.y) / flaw.radius
    return (1 - flaw.size * np.clip(1.5 - away, 0, 1)).astype(np.float32)


def seen(frame: NDArray[np.uint16], on: Sequence[Flaw]) -> NDArray[np.uint16]:
    """One frame (h, w, 3, sRGB) as that sensor has it."""
    linear = light.decode(frame.astype(np.float32) / 65535)
    for f in on:
        if f.kind == "dust":
            linear *= shade(linear.shape[:2], f)[..., None]
            continue
        at = linear[f.y - 1 : f.y + 2, f.x - 1 : f.x + 2]
        which = slice(None) if f.colour is None else slice(f.colour, f.colour + 1)
        smear = SMEAR[..., None]
        at[..., which] = (
            at[..., which] + f.size * smear if f.kind == "hot" else at[..., which] * (1 - f.size * smear)
        )
    return np.rint(light.encode(np.clip(linear, 0, 1)) * 65535).astype(np.uint16)


def spoilt(scene: Scene, on: Sequence[Flaw]) -> Scene:
    """The same bracket from a sensor with these flaws."""
    return replace(scene, frames=np.stack([seen(f, on) for f in scene.frames]))


def trails(scene: Scene, on: Sequence[Flaw], *, around: float = 4.0) -> NDArray[np.bool_]:
    """Places (h, w) of the picture that some frame's flaw covers."""
    h, w = scene.truth.shape[:2]
    out = np.zeros((h, w), bool)
    y, x = np.mgrid[:h, :w]
    for pose in scene.poses:
        back = np.linalg.inv(pose[:, :2])
        for f in on:
            px, py = back @ (np.array([f.x, f.y]) - pose[:, 2])
            r = 1.5 * f.radius + around
            box = slice(max(0, int(py - r)), int(py + r) + 2), slice(max(0, int(px - r)), int(px + r) + 2)
            out[box] |= np.hypot(x[box] - px, y[box] - py) <= r
    return out
