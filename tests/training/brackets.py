"""Training brackets with truth: layers seen through a thin lens, as frames that come back from registration.

Blur is a disk by its analytic transfer function, 2 J1(x) / x; layers are laid over each other far to near.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from nearfar.merge.kernel.twin_warp import TAPS, UNIT, weights_at
from nearfar.merge.noise import WHITE
from tests.training.focus import focus, surveyed
from tests.training.stack import b5
from tests.training.things import CANVAS, Layer, Studio, cloud, flat, outline, strong, texture

KEPT = 192
POINT = 0.5
"""Sigma in pixels of what lens and sensor leave of a point in focus."""
SLICE = 0.6
MOST_SLICES = 40


@dataclass(frozen=True, kw_only=True)
class Bracket:
    """A registered bracket of n frames, nearest focus first, its picture 192 x 192, with 12 x 12 cells.

    ``frames`` (n, 3, 192, 192) int16 in `UNIT`-ths; ``truth`` (3, 192, 192) encoded; ``variance`` (12, 12) of a channel as
    it would be estimated; ``energy`` (n, 3, 12, 12) and ``mean`` (n, 12, 12) of the survey; ``prior``, ``admitted``
    (n, 12, 12) of the focus step; ``between`` (n, 2): t (1 - t) for places t between two pixels, across and down.
    """

    frames: Tensor
    truth: Tensor
    variance: Tensor
    energy: Tensor
    mean: Tensor
    prior: Tensor
    admitted: Tensor
    between: Tensor
    style: str


def to_encoded(x: Tensor) -> Tensor:
    x = x.clamp(0, 1)
    return torch.where(x <= 0.0031308, x * 12.92, 1.055 * x.clamp_min(0.003) ** (1 / 2.4) - 0.055)


class Lens:
    """Transfer functions of a lens on the canvas."""

    def __init__(self, device: torch.device) -> None:
        fy = torch.fft.fftfreq(CANVAS, device=device)[:, None]
        fx = torch.fft.rfftfreq(CANVAS, device=device)[None]
        self.fx, self.fy, self.f = fx, fy, torch.hypot(fx, fy)
        self.point = torch.exp(-2 * (math.pi * POINT * self.f) ** 2)

    def disk(self, radii: Tensor) -> Tensor:
        """(n,) radii in pixels to (n, C, C / 2 + 1)."""
        x = (2 * math.pi * radii[:, None, None] * self.f).clamp_min(1e-3)
        return 2 * torch.special.bessel_j1(x) / x

    def shifted(self, by: Tensor) -> Tensor:
        """Phases that move a picture by (n, 2) pixels, x first."""
        turn = self.fx * by[:, 0, None, None] + self.fy * by[:, 1, None, None]
        return torch.exp(-2j * math.pi * turn)


def _plane(studio: Studio, low: float, high: float) -> Tensor:
    u, _ = studio.turned()
    t = u / CANVAS + 0.5 + studio.between(0, 0.2) * (cloud(studio, 0.4, finest=3) - 0.5)
    return low + (high - low) * t.clamp(0, 1)


def _thing(studio: Studio, kind: str, colour: Tensor, z: float, lean: float = 0.3) -> Layer:
    alpha, along = outline(studio, kind)
    depth = torch.full_like(alpha, z)
    if studio.chance(lean):
        depth = (z + along * studio.random.normal(0, 0.2)).clamp(0, 1)
    return Layer(colour=colour, alpha=alpha, depth=depth)


def _objects(studio: Studio) -> list[Layer]:
    kinds = ["leaf", "polygon", "letter", "lattice", "lace", "hair"]
    return [
        _thing(studio, str(studio.random.choice(kinds)), texture(studio), studio.between(0, 0.9))
        for _ in range(int(studio.random.integers(1, 8)))
    ]


def _hairs(studio: Studio) -> list[Layer]:
    out = []
    for _ in range(int(studio.random.integers(3, 20))):
        colour = flat(studio) if studio.chance(0.85) else texture(studio)
        out.append(_thing(studio, "hair", colour, studio.between(0, 0.8)))
    return out + (
        [_thing(studio, "leaf", texture(studio), studio.between(0, 0.8))] if studio.chance(0.3) else []
    )


def _letters(studio: Studio) -> list[Layer]:
    return [
        _thing(
            studio, "letter", flat(studio) if studio.chance(0.6) else texture(studio), studio.between(0, 0.9)
        )
        for _ in range(int(studio.random.integers(2, 8)))
    ]


def _doors(studio: Studio) -> list[Layer]:
    count = int(studio.random.integers(1, 6))
    return [_thing(studio, "opening", texture(studio), 1 - (i + 1) / (count + 1), 0.1) for i in range(count)]


def _shine(studio: Studio, u: Tensor, v: Tensor) -> Tensor:
    """Reflections of a few lights in a bumpy, glossy thing, linear light; ``u``, ``v``: places in radii."""
    rough = studio.between(0, 0.12)
    u, v = (t + rough * (cloud(studio, 0.6, finest=1) - 0.5) for t in (u, v))
    total = torch.zeros_like(u)
    for _ in range(int(studio.random.integers(1, 4))):
        x, y = studio.random.uniform(-0.6, 0.6, 2)
        narrow = studio.log_between(30, 300)
        total = total + studio.between(0.2, 1) * torch.exp(-((u - x) ** 2 + (v - y) ** 2) * narrow)
    return total


def _dome(studio: Studio) -> list[Layer]:
    out = []
    for _ in range(int(studio.random.integers(1, 3))):
        radius = studio.between(45, 150)
        u, v = studio.turned(*studio.random.uniform(-80, 80, 2))
        share = torch.hypot(u, v * studio.between(0.8, 1.3)) / radius
        height = (1 - share * share).clamp_min(0).sqrt()
        top, foot = studio.between(0, 0.5), studio.between(0.6, 1)
        bumps = studio.between(0, 0.1) * (cloud(studio, 0.5, finest=3) - 0.5) if studio.chance(0.4) else 0.0
        depth = (foot + (top - foot) * height + bumps).clamp(0, 1)
        colour = texture(studio)
        if studio.chance(0.5):
            blown = studio.between(1, 3) if studio.chance(0.2) else 0.97
            colour = (colour + _shine(studio, u / radius, v / radius)).clamp_max(blown)
        out.append(Layer(colour=colour, alpha=((1 - share) * radius + 0.5).clamp(0, 1), depth=depth))
    return out


def _slope(studio: Studio) -> list[Layer]:
    return []


STYLES = {
    "objects": (_objects, 0.25),
    "hairs": (_hairs, 0.4),
    "dome": (_dome, 0.15),
    "doors": (_doors, 0.1),
    "letters": (_letters, 0.05),
    "slope": (_slope, 0.05),
}
MANY_FROM, MANY = 24, (0.15, 0.4, 0.3, 0.03, 0.05, 0.07)
"""Shares of the styles from so many frames on: such brackets are taken of round things."""
NOISE, CLEAR = (0.0012, 0.018), (0.0025, 0.006)
"""Sigma of the noise of encoded values, of most brackets and of those as a camera takes them in good light."""
WIDE = ("objects", "hairs")
"""Styles of which blur reaches further on the whole: what stands before something else casts a veil there."""


def layers(studio: Studio, style: str) -> list[Layer]:
    """Far to near, depths 0..1."""
    far = studio.between(0.75, 1)
    steep = style == "slope" or studio.chance(0.5)
    deep = _plane(studio, studio.between(0, 0.8), far) if steep else torch.full_like(studio.x, far)
    rich = style == "hairs" and studio.chance(0.6)
    ground = Layer(
        colour=strong(studio) if rich else texture(studio), alpha=torch.ones_like(studio.x), depth=deep
    )
    things = STYLES[style][0](studio)
    middle = [float((t.depth * t.alpha).sum() / t.alpha.sum().clamp_min(1e-3)) for t in things]
    return [ground, *[things[i] for i in np.argsort(middle)[::-1]]]


def _sliced(layer: Layer, last: int, aperture: float) -> list[tuple[float, Tensor]]:
    """Depths in frames and tent weights that add up to 1."""
    deep = layer.depth * last
    seen = deep[layer.alpha > 0]
    low, high = float(seen.min()), float(seen.max())
    count = min(MOST_SLICES, max(1, math.ceil((high - low) * aperture / SLICE) + 1))
    if count == 1:
        return [((low + high) / 2, torch.ones_like(deep))]
    at = (deep.clamp(low, high) - low) / max(high - low, 1e-6) * (count - 1)
    return [(low + (high - low) * i / (count - 1), (1 - (at - i).abs()).clamp_min(0)) for i in range(count)]


def photograph(lens: Lens, stack: list[Layer], n: int, aperture: float) -> Tensor:
    """Frames (n, 3, C, C) in linear light."""
    device = lens.f.device
    numbers = torch.arange(n, device=device, dtype=torch.float32)
    out = torch.zeros(n, 3, CANVAS, CANVAS, device=device)
    for layer in stack:
        if float(layer.alpha.max()) <= 0:
            continue
        total: Tensor | float = 0.0
        for depth, weight in _sliced(layer, n - 1, aperture):
            planes = torch.cat(
                [layer.colour * layer.alpha * weight, (layer.alpha * weight)[None], weight[None]]
            )
            spectrum = torch.fft.rfft2(planes)
            total = total + spectrum * lens.disk((numbers - depth).abs() * aperture)[:, None]
        if layer.sway is not None:
            total = total * lens.shifted(layer.sway)[:, None]
        blurred = torch.fft.irfft2(total, s=(CANVAS, CANVAS))
        whole = blurred[:, 4:].clamp_min(1e-3)
        out = out * (1 - (blurred[:, 3:4] / whole).clamp(0, 1)) + blurred[:, :3] / whole
    return torch.fft.irfft2(torch.fft.rfft2(out.clamp(0, 1)) * lens.point, s=(CANVAS, CANVAS))


def truth(lens: Lens, stack: list[Layer]) -> Tensor:
    """What an endless depth of field would show, encoded."""
    out = torch.zeros(3, CANVAS, CANVAS, device=lens.f.device)
    for layer in stack:
        out = out * (1 - layer.alpha) + layer.colour * layer.alpha
    return to_encoded(torch.fft.irfft2(torch.fft.rfft2(out) * lens.point, s=(CANVAS, CANVAS)))


def _compressed(frames: Tensor, step: float) -> Tensor:
    """Rounding of 8 x 8 cosine transforms in luma and colour differences, coarser for fine patterns: as JPEG does it."""
    place = torch.arange(8, device=frames.device, dtype=torch.float32)
    base = torch.cos(math.pi * (2 * place[None] + 1) * place[:, None] / 16) / 2
    base[0] /= math.sqrt(2)
    to_y = torch.tensor(
        [[0.299, 0.587, 0.114], [-0.169, -0.331, 0.5], [0.5, -0.419, -0.081]], device=frames.device
    )
    y = torch.einsum("oc,nchw->nohw", to_y, frames)
    blocks = y.unfold(2, 8, 8).unfold(3, 8, 8)
    spectrum = torch.einsum("ui,vj,nchwij->nchwuv", base, base, blocks)
    fine = (1 + 0.5 * (place[:, None] + place[None])) * step / 255
    grain = fine * torch.tensor([1.0, 1.6, 1.6], device=frames.device).view(1, 3, 1, 1, 1, 1)
    spectrum = torch.round(spectrum / grain) * grain
    blocks = torch.einsum("ui,vj,nchwuv->nchwij", base, base, spectrum)
    y = blocks.permute(0, 1, 2, 4, 3, 5).reshape(y.shape)
    return torch.einsum("oc,nchw->nohw", torch.linalg.inv(to_y), y)


def _taken_back(frames: Tensor, by: Tensor) -> Tensor:
    """Middle of each frame resampled at places ``by`` (n, 2) away, by the engine's cubic."""
    whole = by.floor()
    weights = np.stack(weights_at((by - whole).cpu().numpy()))
    wx, wy = (torch.as_tensor(weights[:, :, i], device=frames.device) for i in range(2))
    m = (CANVAS - KEPT) // 2
    out = []
    for k in range(len(frames)):
        x, y = m + int(whole[k, 0]) - 2, m + int(whole[k, 1]) - 2
        part = frames[k, :, y : y + KEPT + 5, x : x + KEPT + 5]
        across = sum(wx[i, k] * part[:, :, i : i + KEPT] for i in range(TAPS))
        out.append(sum(wy[i, k] * across[:, i : i + KEPT] for i in range(TAPS)))
    return torch.stack(out)


def _sharpened(frames: Tensor, strength: float) -> Tensor:
    return frames + strength * (frames - b5(frames))


def _noisy(studio: Studio, encoded: Tensor, sigma: float, lean: float) -> tuple[Tensor, float]:
    """Frames as a camera leaves them, and by how much its sharpening raises the variance of the noise."""
    spread = sigma * (1 + lean * (encoded - 0.5)).clamp_min(0.1).sqrt()
    grain = studio.normal(*encoded.shape)
    encoded, more = encoded + spread * grain, 1.0
    if studio.chance(0.2):
        strength = studio.between(0.2, 1.0)
        encoded = _sharpened(encoded, strength)
        more = float(surveyed(_sharpened(grain[:1], strength))[0][0, :2].mean((1, 2)).sum() / WHITE[:2].sum())
    encoded = encoded.clamp(0, 1)
    if studio.chance(0.3):
        encoded = _compressed(encoded, studio.log_between(1, 8)).clamp(0, 1)
    levels = 255 if studio.chance(0.4) else 65535
    return torch.round(encoded * levels) / levels, more


def bracket(studio: Studio, lens: Lens, n: int) -> Bracket:
    """A random bracket of n frames, nearest focus first."""
    shares = MANY if n >= MANY_FROM else tuple(share for _, share in STYLES.values())
    style = str(studio.random.choice(list(STYLES), p=shares))
    aperture = (studio.log_between(7, 44) if style in WIDE else studio.log_between(4, 40)) / (n - 1)
    stack = layers(studio, style)
    if studio.chance(0.12) and len(stack) > 1:
        stack = [stack[0], *[_swaying(studio, layer, n) for layer in stack[1:]]]
    light = photograph(lens, stack, n, aperture)
    by = torch.tensor(studio.random.uniform(-1, 1, (n, 2)), device=studio.device, dtype=torch.float32)
    by[n // 2] = 0
    light = torch.fft.irfft2(torch.fft.rfft2(light) * lens.shifted(by)[:, None], s=(CANVAS, CANVAS))
    flicker = float(studio.random.choice([0, 0, 0.004, 0.012]))
    gain = torch.tensor(2 ** studio.random.normal(0, flicker, n), device=studio.device, dtype=torch.float32)
    noise = CLEAR if studio.chance(0.35) else NOISE
    sigma, lean = studio.log_between(*noise), studio.between(-0.9, 0.9)
    encoded, more = _noisy(studio, to_encoded(light * gain.view(-1, 1, 1, 1)), sigma, lean)
    off = studio.between(0, 0.3) / math.sqrt(2) if studio.chance(0.4) else studio.between(0, 0.04)
    by = by + torch.tensor(studio.random.normal(0, off, (n, 2)), device=studio.device, dtype=torch.float32)
    m = (CANVAS - KEPT) // 2
    kept = slice(m, m + KEPT)
    energy, mean = surveyed(encoded[:, :, kept, kept])
    variance = (
        more * (sigma * studio.between(0.75, 1.05)) ** 2 * (1 + lean * (mean.mean(0) - 0.5)).clamp_min(0.1)
    )
    variance = variance.clamp_min(1e-7)
    prior, admitted = focus(energy, mean, variance)
    t = by - by.floor()
    return Bracket(
        frames=(_taken_back(encoded, by) * float(UNIT)).round().to(torch.int16),
        truth=truth(lens, stack)[:, kept, kept],
        variance=variance,
        energy=energy,
        mean=mean,
        prior=prior,
        admitted=admitted,
        between=t * (1 - t),
        style=style,
    )


def _swaying(studio: Studio, layer: Layer, n: int) -> Layer:
    if studio.chance(0.5):
        return layer
    phase = studio.between(0, 6) + studio.between(0.3, 1.5) * np.arange(n)
    path = (np.sin(phase) - np.sin(phase[n // 2]))[:, None] * studio.random.normal(0, 1.5, 2)
    sway = torch.tensor(path, device=studio.device, dtype=torch.float32)
    return Layer(colour=layer.colour, alpha=layer.alpha, depth=layer.depth, sway=sway)
