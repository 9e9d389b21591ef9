"""What stands before the lens on a rendered day: places that can be focused, panned and walked through, cheaply.

Not the layered renderer of `scene`: a card needs hundreds of frames, so blur is mixed from a bank of blurred pictures
by each pixel's distance from focus. That is right for evidence (what is sharp where), not for edges.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from tests.scenes import light, textures
from tests.scenes.light import Floats

BANK = (0.0, 0.8, 1.6, 3.2, 6.4, 12.8)
"""Blur sigmas in pixels."""
MARGIN = 48


@dataclass(frozen=True, kw_only=True)
class Shot:
    """How one frame sees a place. ``focus``: 0 near to 1 far; ``shift`` in pixels; ``shake``: length of the smear."""

    focus: float = 0.5
    ev: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)
    scale: float = 1.0
    shake: float = 0.0
    runner: float | None = None  # where the running animal is, 0 left to 1 right
    cover: str | None = None  # 'hand', 'sharp hand', 'fingers', 'cap', 'sheet', 'cloth', 'passer-by'
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Place:
    """Linear colours on a canvas with a margin, depth 0..1, and how much blur a whole depth range makes (pixels)."""

    size: tuple[int, int]
    colour: Floats
    depth: Floats
    reach: float
    noise: float
    bank: list[Floats] = field(default_factory=list)

    def frame(self, shot: Shot) -> np.ndarray:
        """(h, w, 3) uint8, sRGB."""
        w, h = self.size
        seen = self._focused(shot)
        if shot.runner is not None:
            seen = _with_runner(seen, shot.runner, shot.seed)
        seen = self._cut(seen, shot)
        if shot.shake:
            seen = _smeared(seen, shot.shake, shot.seed)
        random = np.random.default_rng([shot.seed, 9])
        if shot.cover:
            seen = covered(random, seen, shot.cover)
        encoded = light.encode(seen * np.float32(2.0**shot.ev))
        grain = cv2.resize(random.standard_normal((h, w, 3), np.float32), (w, h))
        return np.rint(np.clip(encoded + self.noise * grain, 0, 1) * 255).astype(np.uint8)

    def _focused(self, shot: Shot) -> Floats:
        if not self.bank:
            self.bank.extend(_blurred(self.colour, s) for s in BANK)
        sigma = np.abs(self.depth - shot.focus) * self.reach
        at = np.interp(sigma, BANK, np.arange(len(BANK))).astype(np.float32)
        out = np.zeros_like(self.colour)
        for k, picture in enumerate(self.bank):
            weight = np.clip(1 - np.abs(at - k), 0, 1)
            if weight.any():
                out += picture * weight[..., None]
        return out

    def _cut(self, canvas: Floats, shot: Shot) -> Floats:
        w, h = self.size
        rows, columns = canvas.shape[:2]
        x = (columns - w) / 2 + shot.shift[0] + (1 - shot.scale) * w / 2
        y = (rows - h) / 2 + shot.shift[1] + (1 - shot.scale) * h / 2
        back = np.array([[shot.scale, 0, x], [0, shot.scale, y]], np.float64)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(
            cv2.warpAffine(canvas, back, (w, h), flags=flags, borderMode=cv2.BORDER_REFLECT), np.float32
        )


def _blurred(colour: Floats, sigma: float) -> Floats:
    return colour if sigma == 0 else np.asarray(cv2.GaussianBlur(colour, (0, 0), sigma), np.float32)


def _smeared(seen: Floats, length: float, seed: int) -> Floats:
    turn = np.random.default_rng([seed, 3]).uniform(0, np.pi)
    kernel = np.zeros((31, 31), np.float32)
    reach = np.array([np.cos(turn), np.sin(turn)]) * length / 2
    a, b = (tuple(int(v) for v in np.rint((15 + s * reach) * 16)) for s in (-1, 1))
    cv2.line(kernel, a, b, 1.0, 1, cv2.LINE_AA, 4)
    return np.asarray(cv2.filter2D(seen, -1, kernel / kernel.sum()), np.float32)


def _with_runner(canvas: Floats, at: float, seed: int) -> Floats:
    """An animal across the picture: body, head and legs of a colour, never twice in the same pose."""
    random = np.random.default_rng([seed, 5])
    h, w = canvas.shape[:2]
    out = canvas.copy()
    size = h * 0.16
    cx, cy = w * (0.1 + 0.8 * at), h * 0.62 + random.normal(0, size * 0.12)
    coat = ((0.22, 0.12, 0.05), (0.03, 0.03, 0.035), (0.6, 0.55, 0.5))[int(w) % 3]
    for dx, dy, a, b in ((0, 0, 1.0, 0.42), (0.95, -0.45, 0.34, 0.28), (-1.05, -0.3, 0.3, 0.1)):
        centre = int(cx + dx * size), int(cy + dy * size)
        cv2.ellipse(
            out,
            centre,
            (int(a * size), int(b * size)),
            float(random.normal(0, 8)),
            0,
            360,
            coat,
            -1,
            cv2.LINE_AA,
        )
    for dx in (-0.7, -0.4, 0.4, 0.7):
        foot = int(cx + (dx + random.normal(0, 0.3)) * size), int(cy + 1.0 * size)
        cv2.line(
            out,
            (int(cx + dx * size), int(cy + 0.3 * size)),
            foot,
            coat,
            max(2, int(size * 0.14)),
            cv2.LINE_AA,
        )
    return out


def covered(random: np.random.Generator, seen: Floats, how: str) -> Floats:
    """What a hand, a cap, a sheet or a passer-by leaves of the view (linear light)."""
    h, w = seen.shape[:2]
    skin = np.array([0.42, 0.22, 0.14]) * random.uniform(0.35, 1.5) * random.uniform(0.9, 1.1, 3)
    if how == "cap":
        return np.full_like(seen, random.uniform(0, 0.002))
    if how in ("sheet", "cloth"):
        base = (
            np.full(3, random.uniform(0.5, 0.95))
            if how == "sheet"
            else np.array(textures.random_colour(random))
        )
        shade = 1 + 0.25 * (textures.fractal(random, (h, w), fall=0.3) - 0.5)
        return np.asarray(shade[..., None] * base, np.float32)
    soft = {"hand": 0.06, "sharp hand": 0.006, "fingers": 0.03, "passer-by": 0.012}[how] * w
    tone = skin if how != "passer-by" else np.array(textures.random_colour(random, low=0.02, high=0.3))
    mask = np.zeros((h, w), np.float32)
    if how == "passer-by":
        x = float(random.uniform(0.3, 0.7)) * w
        cv2.ellipse(mask, (int(x), int(h * 0.55)), (int(w * 0.33), int(h * 0.7)), 0, 0, 360, 1.0, -1)
    else:
        lean = random.uniform(-0.4, 0.4)
        width = h * random.uniform(0.13, 0.18)
        for finger in range(2 if how == "fingers" else 5):
            y = h * (0.02 + 0.24 * finger)
            end = int(w * random.uniform(0.75, 1.2)), int(y + lean * w * 0.5)
            cv2.line(mask, (-20, int(y)), end, 1.0, int(width * 1.5))
    mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), soft), np.float32)
    texture = 1 + 0.3 * (textures.fractal(random, (h, w), fall=0.5) - 0.5)
    if how == "hand":
        texture = np.asarray(cv2.GaussianBlur(texture, (0, 0), soft), np.float32)
    behind = cv2.GaussianBlur(seen, (0, 0), soft) if how == "hand" else seen
    return np.asarray(
        behind * (1 - mask[..., None]) + texture[..., None] * tone * mask[..., None], np.float32
    )


def make_place(random: np.random.Generator, kind: str, size: tuple[int, int], *, wide: float = 1.0) -> Place:
    """A place: 'macro' (blobs and a ground, much blur), 'view' (ground to horizon, little blur), 'table', 'bare'.

    ``wide``: how many times as wide as a frame the canvas is, for panoramas.
    """
    w, h = size
    shape = (h + 2 * MARGIN, int(w * wide) + 2 * MARGIN)
    make = [textures.mineral, textures.bark, textures.weave, textures.printed][int(random.integers(4))]
    colour = make(random, shape)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    ramp = (shape[0] - y) / shape[0]
    if kind == "view":
        depth = np.clip(0.15 + 1.5 * (ramp - 0.3), 0, 1) + 0.05 * (
            textures.fractal(random, shape, fall=0.4) - 0.5
        )
        sky = ramp > float(random.uniform(0.65, 0.85))
        colour = np.where(sky[..., None], np.array([0.25, 0.4, 0.6], np.float32), colour)
        reach = float(random.uniform(1.2, 6))
    elif kind == "bare":
        colour = 0.2 + 0.3 * colour
        depth = textures.spread(textures.fractal(random, shape, fall=0.3))
        reach = float(random.uniform(5, 12))
    else:
        turn = float(random.uniform(0, np.pi))
        along = np.cos(turn) * x / shape[1] + np.sin(turn) * y / shape[0]
        depth = 0.25 + 0.75 * (along - along.min()) / (along.max() - along.min())
        for _ in range(int(random.integers(3, 12))):
            centre = random.uniform(0, 1, 2) * (shape[1], shape[0])
            radius = random.uniform(0.06, 0.2) * h
            inside = np.hypot(x - centre[0], (y - centre[1]) * random.uniform(0.6, 1.6)) < radius
            depth = np.where(inside, random.uniform(0, 0.8), depth)
            colour = np.where(inside[..., None], textures.mineral(random, shape), colour)
        reach = float(random.uniform(5, 14) if kind == "macro" else random.uniform(3, 7))
    return Place(
        size=size,
        colour=np.asarray(colour, np.float32),
        depth=np.asarray(depth, np.float32),
        reach=reach,
        noise=float(random.uniform(0.003, 0.015)),
    )
