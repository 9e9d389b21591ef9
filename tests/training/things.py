"""What stands in a training scene: random textures, outlines and depths on a square canvas, made on the accelerator."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

CANVAS = 256
"""Edge in pixels; what is kept of a frame lies in the middle, the rest is room for blur and shifts."""


@dataclass(frozen=True, kw_only=True)
class Layer:
    """Linear colour (3, C, C), coverage (C, C), depth (C, C) in frames, and for each frame a shift (n, 2) in pixels."""

    colour: Tensor
    alpha: Tensor
    depth: Tensor
    sway: Tensor | None = None


class Studio:
    """Random numbers of one scene, on the processor for choices and on the device for planes."""

    def __init__(self, seed: int, device: torch.device) -> None:
        self.random = np.random.default_rng(seed)
        self.device = device
        self.dice = torch.Generator(device=device)
        self.dice.manual_seed(seed)
        line = torch.arange(CANVAS, device=device, dtype=torch.float32) - CANVAS / 2
        self.y, self.x = torch.meshgrid(line, line, indexing="ij")

    def normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, device=self.device, generator=self.dice)

    def chance(self, share: float) -> bool:
        return bool(self.random.random() < share)

    def between(self, low: float, high: float) -> float:
        return float(self.random.uniform(low, high))

    def log_between(self, low: float, high: float) -> float:
        return float(np.exp(self.random.uniform(np.log(low), np.log(high))))

    def turned(self, cx: float = 0, cy: float = 0, turn: float | None = None) -> tuple[Tensor, Tensor]:
        """Coordinates around a place, turned by an angle."""
        angle = self.between(0, 2 * math.pi) if turn is None else turn
        c, s = math.cos(angle), math.sin(angle)
        return (self.x - cx) * c + (self.y - cy) * s, (self.y - cy) * c - (self.x - cx) * s


def cloud(studio: Studio, fall: float, *, coarsest: int = 7, finest: int = 0) -> Tensor:
    """Sum of smooth noises, each twice as fine as the last and ``fall`` times as strong; 0..1."""
    total = torch.zeros(CANVAS, CANVAS, device=studio.device)
    for step in range(coarsest, finest - 1, -1):
        pitch = 1 << step
        knots = CANVAS // pitch + 4
        grid = studio.normal(1, 1, knots, knots)
        if pitch > 1:
            grid = functional.interpolate(grid, scale_factor=pitch, mode="bicubic", align_corners=False)
        lead = pitch + int(studio.random.integers(pitch))
        total = total + fall ** (coarsest - step) * grid[0, 0, lead : lead + CANVAS, lead : lead + CANVAS]
    low, high = torch.quantile(total.flatten()[::7], torch.tensor([0.01, 0.99], device=studio.device))
    return ((total - low) / (high - low)).clamp(0, 1)


def tint(studio: Studio, low: float, high: float) -> Tensor:
    """A colour (3, 1, 1) in linear light, more or less grey."""
    base = studio.log_between(low, high)
    spread = studio.between(0, 0.5)
    return torch.tensor(
        base * np.exp(spread * studio.random.normal(0, 1, 3)), device=studio.device, dtype=torch.float32
    ).clamp(0.002, 0.95)[:, None, None]


def _mottled(studio: Studio) -> Tensor:
    t = cloud(studio, studio.between(0.5, 0.95), coarsest=int(studio.random.integers(3, 8)))
    if studio.chance(0.4):
        t = t ** studio.between(0.6, 2.5)
    first, second = tint(studio, 0.01, 0.3), tint(studio, 0.1, 0.8)
    colour = first + (second - first) * t
    if studio.chance(0.3):
        other = cloud(studio, studio.between(0.3, 0.7))
        colour = torch.where(other > 0.55, colour, colour * studio.between(0.2, 0.7))
    return colour


def _striped(studio: Studio) -> Tensor:
    u, v = studio.turned()
    pitch = studio.log_between(2.5, 24)
    warp = studio.between(0, 2) * cloud(studio, 0.5)
    t = torch.cos(2 * math.pi * u / pitch + warp)
    if studio.chance(0.5):
        t = torch.maximum(t, torch.cos(2 * math.pi * v / (pitch * studio.between(0.7, 1.4)) + warp))
    return tint(studio, 0.03, 0.5) * (1 + studio.between(0.1, 0.9) * t)


def _cells(studio: Studio) -> Tensor:
    count = int(studio.log_between(30, 600))
    places = (torch.rand(count, 2, device=studio.device, generator=studio.dice) - 0.5) * CANVAS
    far = (studio.x.flatten()[:, None] - places[:, 0]) ** 2 + (
        studio.y.flatten()[:, None] - places[:, 1]
    ) ** 2
    near = far.topk(2, dim=1, largest=False)
    gap = (near.values[:, 1].sqrt() - near.values[:, 0].sqrt()).view(CANVAS, CANVAS)
    shade = (1 + 0.4 * studio.normal(count))[near.indices[:, 0]].view(CANVAS, CANVAS)
    seam = (1 - gap / studio.between(1, 3)).clamp(0, 1)
    return tint(studio, 0.03, 0.6) * (shade * (1 - studio.between(0.2, 0.9) * seam)).clamp(0.05, 3)


def _printed(studio: Studio) -> Tensor:
    """Patches with hard edges."""
    colour = tint(studio, 0.02, 0.8).expand(3, CANVAS, CANVAS).clone()
    for _ in range(int(studio.random.integers(8, 60))):
        u, v = studio.turned(*studio.random.uniform(-128, 128, 2))
        inside = torch.minimum(studio.log_between(2, 40) - u.abs(), studio.log_between(2, 40) - v.abs())
        inside = (inside + 0.5).clamp(0, 1)
        colour = colour + inside * (tint(studio, 0.01, 0.9) - colour)
    return colour


def _woven(studio: Studio) -> Tensor:
    """Threads that run over and under each other, as cloth has them."""
    u, v = studio.turned()
    pitch = studio.log_between(3.5, 14)
    u, v = (t / pitch + studio.between(0, 0.6) * cloud(studio, 0.6, finest=3) for t in (u, v))
    over = torch.remainder(u.floor() + v.floor(), 2) < 1
    across = (torch.where(over, u, v) - torch.where(over, u, v).floor() - 0.5).abs()
    along = (torch.where(over, v, u) - torch.where(over, v, u).floor() - 0.5).abs()
    height = (1 - 2 * across).clamp_min(0).sqrt() * (1 - studio.between(0.3, 1) * along)
    fibre = 1 + studio.between(0, 0.5) * (cloud(studio, 0.8, coarsest=3) - 0.5)
    second = tint(studio, 0.03, 0.6) if studio.chance(0.4) else 1.0
    base = tint(studio, 0.05, 0.7)
    return torch.where(over, base, base * second if isinstance(second, float) else second) * height * fibre


def _littered(studio: Studio) -> Tensor:
    """Spots of all sizes on top of each other: edges at every scale, as photographs have them."""
    count = int(studio.log_between(150, 700))
    size = 60 / (1 + torch.rand(count, device=studio.device, generator=studio.dice) * studio.between(15, 60))
    x, y = (torch.rand(2, count, 1, 1, device=studio.device, generator=studio.dice) - 0.5) * (CANVAS + 60)
    wide = torch.exp(0.4 * studio.normal(count, 1, 1))
    number = torch.arange(1, count + 1, device=studio.device).view(-1, 1, 1)
    top = torch.zeros_like(studio.x, dtype=torch.int64)
    for part in torch.arange(count, device=studio.device).split(100):
        far = torch.hypot((studio.x - x[part]) * wide[part], (studio.y - y[part]) / wide[part])
        top = torch.maximum(top, ((far < size[part, None, None]) * number[part]).amax(0))
    shade = torch.exp(
        studio.between(0.3, 0.9) * studio.normal(3, count + 1) + studio.normal(1, count + 1) * 0.5
    )
    return tint(studio, 0.05, 0.4) * shade[:, top] * (0.8 + 0.4 * cloud(studio, 0.8))


def _plain(studio: Studio) -> Tensor:
    grain = studio.between(0, 0.1) if studio.chance(0.7) else 0.0
    return tint(studio, 0.01, 0.8) * (1 + grain * (cloud(studio, studio.between(0.3, 0.9)) - 0.5))


def texture(studio: Studio) -> Tensor:
    """Linear colour (3, C, C)."""
    kinds = (_mottled, _striped, _cells, _printed, _plain, _woven, _littered)
    made = kinds[int(studio.random.choice(7, p=[0.32, 0.07, 0.13, 0.1, 0.14, 0.11, 0.13]))](studio)
    if studio.chance(0.3):
        made = made * (0.5 + cloud(studio, 0.4, finest=4))
    if studio.chance(0.1):
        glint = (cloud(studio, 0.6, coarsest=5) - studio.between(0.85, 0.97)).clamp(0, 1) * 8
        made = made + glint * studio.between(0.2, 1)
    return made.clamp(0.002, 0.97)


def flat(studio: Studio) -> Tensor:
    """A dark or pale surface with next to no pattern, as hairs and letters have it."""
    made = tint(studio, 0.004, 0.05) if studio.chance(0.55) else tint(studio, 0.3, 0.85)
    blown = studio.between(1.5, 4) if studio.chance(0.05) else 1.0
    return (made * (0.8 + 0.4 * cloud(studio, 0.5))).clamp(0.002, 0.97) * blown


def strong(studio: Studio) -> Tensor:
    """A texture that stands out everywhere, like cloth."""
    made = (_woven, _littered, _mottled, _cells)[int(studio.random.integers(4))](studio)
    return made.clamp(0.002, 0.97)


def _cover(distance: Tensor, studio: Studio) -> Tensor:
    return (distance + 0.5).clamp(0, 1) if studio.chance(0.8) else (distance > 0).float()


def thread(studio: Studio, width: float, length: float, bend: float) -> tuple[Tensor, Tensor]:
    """Coverage of a curved thread, and how far along it (0..1) each place is."""
    pieces = 28
    start = studio.random.uniform(-130, 130, 2)
    turn = studio.between(0, 2 * math.pi) + np.cumsum(studio.random.normal(0, bend / np.sqrt(pieces), pieces))
    path = start + np.cumsum(np.stack([np.cos(turn), np.sin(turn)], 1) * length / pieces, axis=0)
    knots = torch.tensor(np.vstack([start, path]), device=studio.device, dtype=torch.float32)
    best = torch.full_like(studio.x, 1e9)
    along = torch.zeros_like(studio.x)
    for i in range(pieces):
        ax, ay = knots[i]
        dx, dy = knots[i + 1] - knots[i]
        t = (((studio.x - ax) * dx + (studio.y - ay) * dy) / (dx * dx + dy * dy)).clamp(0, 1)
        away = torch.hypot(studio.x - ax - t * dx, studio.y - ay - t * dy)
        along = torch.where(away < best, (i + t) / pieces, along)
        best = torch.minimum(best, away)
    taper = 1 - studio.between(0, 0.6) * along
    return (width / 2 * taper - best + 0.5).clamp(0, 1) * min(1.0, width), along


def _leaf(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    length, breadth, power = studio.between(20, 100), studio.between(8, 50), studio.between(1.2, 3)
    inside = 1 - ((u.abs() / length) ** power + (v.abs() / breadth) ** power) ** (1 / power)
    rough = studio.between(0, 6) * (cloud(studio, 0.6) - 0.5) if studio.chance(0.4) else 0.0
    return inside * min(length, breadth) + rough


def _polygon(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    inside = torch.full_like(u, 1e3)
    for turn in np.sort(studio.random.uniform(0, 2 * math.pi, int(studio.random.integers(1, 7)))):
        inside = torch.minimum(inside, studio.between(8, 90) - (u * math.cos(turn) + v * math.sin(turn)))
    return inside


def _letter(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    """Strokes between the points of a grid of 3 x 3, as letters have them."""
    size, heavy = studio.log_between(8, 40), studio.between(0.12, 0.3)
    inside = torch.full_like(u, -1e3)
    at = studio.random.integers(0, 3, 2)
    for _ in range(int(studio.random.integers(3, 6))):
        to = studio.random.integers(0, 3, 2)
        if (to == at).all():
            continue
        (ax, ay), (dx, dy) = (at - 1) * size, (to - at) * size
        t = (((u - ax) * dx + (v - ay) * dy) / float(dx * dx + dy * dy)).clamp(0, 1)
        inside = torch.maximum(inside, heavy * size - torch.hypot(u - ax - t * dx, v - ay - t * dy))
        at = to
    return inside


def _wave(t: Tensor, pitch: float) -> Tensor:
    """Distance to the middle between two bars."""
    return (torch.remainder(t / pitch, 1) - 0.5).abs() * pitch


def _lattice(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    pitch = studio.log_between(10, 70)
    inside = studio.between(1, 0.3 * pitch) - _wave(u, pitch)
    return (
        torch.maximum(inside, studio.between(1, 0.3 * pitch) - _wave(v, pitch))
        if studio.chance(0.4)
        else inside
    )


def _lace(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    return (cloud(studio, studio.between(0.4, 0.65)) - studio.between(0.4, 0.8)) * studio.between(40, 200)


def _opening(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    return torch.maximum(u.abs() - studio.between(25, 100), v.abs() - studio.between(25, 100))


SHAPES = {
    "leaf": _leaf,
    "polygon": _polygon,
    "letter": _letter,
    "lattice": _lattice,
    "lace": _lace,
    "opening": _opening,
}


def outline(studio: Studio, kind: str) -> tuple[Tensor, Tensor]:
    """Coverage of a thing of that kind, and a coordinate (about -1..1) along which it may lean in depth."""
    if kind == "hair":
        cover, along = thread(
            studio, studio.log_between(0.7, 5), studio.between(50, 300), studio.between(0, 1.5)
        )
        return cover, 2 * along - 1
    u, v = studio.turned(*studio.random.uniform(-100, 100, 2))
    return _cover(SHAPES[kind](studio, u, v), studio), (u / 100).clamp(-1.5, 1.5)
