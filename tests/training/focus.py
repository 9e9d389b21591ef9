"""What the focus step finds of a bracket, in PyTorch: `nearfar.merge.focus.find` on frames aligned within a pixel.

Cells are those of the engine, 16 pixels wide; a test compares prior and admission with the engine's.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from nearfar.merge.focus import find as engine
from nearfar.merge.focus import grids, passing
from nearfar.merge.noise import WHITE
from nearfar.merge.recipe import FocusRecipe
from tests.training.stack import b5, halved, luma

CELL = 16
TINY = 1e-20


def surveyed(frames: Tensor) -> tuple[Tensor, Tensor]:
    """Energies (n, 3, R, C) and mean luma (n, R, C) of frames (n, 3, H, W), as the survey measures them."""
    y = luma(frames)
    mean = functional.avg_pool2d(y, CELL)
    energy = []
    for level in range(3):
        y = halved(y) if level else y
        band = y - b5(y)
        energy.append(functional.avg_pool2d(band * band, CELL >> level))
    return torch.stack(energy, 1), mean


def _blurred(x: Tensor, sigma: float) -> Tensor:
    r = int(3 * sigma + 0.5)
    at = torch.arange(-r, r + 1, device=x.device, dtype=x.dtype)
    tap = torch.exp(-at * at / (2 * sigma * sigma))
    tap = tap / tap.sum()
    flat = functional.pad(x.reshape(-1, 1, *x.shape[-2:]), (r, r, r, r), mode="replicate")
    flat = functional.conv2d(flat, tap.view(1, 1, -1, 1))
    return functional.conv2d(flat, tap.view(1, 1, 1, -1)).reshape(x.shape)


def _around(x: Tensor, parts: tuple[tuple[float, float], ...]) -> Tensor:
    return x + sum(weight * _blurred(x, sigma) for sigma, weight in parts)


def _left(energy: Tensor, mean: Tensor) -> Tensor:
    """Energies less what passing light accounts for."""
    still, unit = float(passing.STILL), float(passing.UNIT)
    ends = 2 * (mean[1] - mean[0]), 2 * (mean[-1] - mean[-2])
    change = torch.stack([ends[0], *(mean[2:] - mean[:-2]), ends[1]]).abs() - still
    change = (change / unit + 0.5).clamp(0, 255).floor() * unit
    weight = torch.as_tensor(passing.WEIGHT, device=energy.device).view(1, 3, 1, 1)
    share = energy / (energy + weight * (change * change)[:, None] + TINY)
    return energy * share * share


def _stands_out(sharp: Tensor) -> Tensor:
    """As `nearfar.merge.focus.find._stands_out`, for all frames (n, R, C)."""
    ahead, n = engine.AHEAD, len(sharp)
    held = torch.cat([torch.zeros_like(sharp[:1]).expand(ahead, -1, -1)] * 2)
    held = torch.cat([held[:ahead], sharp, held[ahead:]])
    much = float(engine.STANDS_OUT)
    out = (sharp > much * held[:n]) & (sharp > much * held[2 * ahead :])
    for k in range(1, ahead + 1):
        out &= (sharp >= held[ahead - k : ahead - k + n]) & (sharp > held[ahead + k : ahead + k + n])
    return out


def focus(energy: Tensor, mean: Tensor, variance: Tensor) -> tuple[Tensor, Tensor]:
    """Prior and admission (n, R, C); ``variance`` (R, C) of one channel of a frame."""
    recipe, n = FocusRecipe(), len(energy)
    white = torch.as_tensor(WHITE, device=energy.device, dtype=energy.dtype).view(3, 1, 1)
    nv = variance * white
    energy = (energy - nv).clamp_min(0)
    sure = energy
    if n > grids.FEW:
        chance = torch.as_tensor(grids.CHANCE, device=energy.device).view(3, 1, 1)
        sure = (energy - nv * (chance - 1)).clamp_min(0)
    left = _left(sure, mean)
    most = left.amax(0)
    share = left / most.clamp_min(TINY)
    total = (share * (most / (most + float(engine.SNR_HALF) * nv + TINY))).sum(1)
    trust = most / (most + float(engine.TRUST_HALF) * nv + TINY)
    rest = torch.cat([torch.ones_like(trust[:1]), torch.cumprod(1 - trust, 0)[:2]])
    finest = (share * (trust * rest)).sum(1)
    prior = _around(total, engine.PRIOR_AROUND)
    best = _around(finest, engine.AROUND).argmax(0)
    top = finest.amax(0)
    plain = top < float(engine.TRUST)
    limit = torch.where(plain, torch.inf, recipe.admit * top)
    clear = (left[:, 0] > float(engine.CLEAR) * nv[0]) | (left[:, 1] > float(engine.CLEAR) * nv[1])
    number = torch.arange(n, device=energy.device).view(-1, 1, 1)
    peak = _stands_out(finest) & (finest >= recipe.peak * top) & clear & ~plain
    let_in = (finest >= limit) | (number == best) | peak
    grown = functional.max_pool2d(let_in.float()[:, None], 3, 1, 1)[:, 0] > 0
    reach = torch.where(plain, recipe.neighbours, min(1, recipe.neighbours))
    return prior, grown | ((number - best).abs() <= reach)
