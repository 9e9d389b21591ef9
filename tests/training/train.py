"""Training: brackets by number of frames, batches, loss, and how well a net does on brackets that it never saw."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from nearfar.merge.chooser.numbers import HIDDEN
from nearfar.merge.kernel.twin_warp import UNIT
from tests.training import net as nets
from tests.training.brackets import Bracket, Lens, bracket
from tests.training.features import features
from tests.training.net import Net
from tests.training.stack import Planes, planes, spread
from tests.training.things import Studio

PARTS = ("frames", "truth", "variance", "prior", "admitted", "between")
COUNTS = (3, 4, 6, 8, 12, 16, 24, 40, 60)
SHARES = (0.04, 0.08, 0.16, 0.17, 0.18, 0.13, 0.12, 0.07, 0.05)
BORDER = 12
ROBUST = 0.03
FLOOR = 2e-6


@dataclass(frozen=True, kw_only=True)
class Brackets:
    """All brackets with one number of frames."""

    parts: dict[str, Tensor]
    """What a `Bracket` has, stacked."""
    styles: tuple[str, ...]


def make(count: int, seed: int, device: torch.device) -> dict[int, Brackets]:
    """So many random brackets, by their number of frames."""
    random = np.random.default_rng(seed)
    lens = Lens(device)
    made: dict[int, list[Bracket]] = {n: [] for n in COUNTS}
    with torch.no_grad():
        for i in range(count):
            n = int(random.choice(COUNTS, p=SHARES))
            made[n].append(bracket(Studio(seed * 1_000_003 + i, device), lens, n))
    return {
        n: Brackets(
            parts={name: torch.stack([getattr(b, name) for b in some]) for name in PARTS},
            styles=tuple(b.style for b in some),
        )
        for n, some in made.items()
        if some
    }


@dataclass(frozen=True, kw_only=True)
class Batch:
    """What a net sees, and the truth."""

    planes: Planes
    values: Tensor
    score: Tensor
    mask: Tensor
    admission: Tensor
    prior: Tensor
    between: Tensor
    truth: Tensor


def batch(parts: dict[str, Tensor], *, everyone: bool = False) -> Batch:
    """Features of some brackets; ``everyone``: all frames are let in everywhere."""
    with torch.no_grad():
        cells = parts["variance"]
        variance = cells.repeat_interleave(8, -1).repeat_interleave(8, -2)
        p = planes(parts["frames"].float() / float(UNIT), variance)
        admitted = parts["admitted"].float()
        if everyone:
            admitted = torch.ones_like(admitted)
        mask = admitted.repeat_interleave(8, -1).repeat_interleave(8, -2)
        admission = spread(admitted)
        prior = spread(parts["prior"])
        seen = features(p, prior, mask, admission)
    return Batch(
        planes=p,
        values=seen.values,
        score=seen.score,
        mask=mask,
        admission=admission,
        prior=prior,
        between=parts["between"],
        truth=parts["truth"],
    )


def merge(net: Net, b: Batch) -> Tensor:
    logits, gains = net(b.values, b.score, b.mask)
    w = nets.weighed(logits, b.admission)
    return nets.averaged(b.planes, nets.merged(b.planes, w, gains), (b.admission, b.mask, b.between))


def rule(b: Batch) -> Tensor:
    return nets.averaged(
        b.planes, nets.ruled(b.planes, b.score, b.admission), (b.admission, b.mask, b.between)
    )


def loss(result: Tensor, truth: Tensor) -> Tensor:
    """Logarithm of the robust mean squared error of each picture."""
    apart = ((result - truth)[..., BORDER:-BORDER, BORDER:-BORDER] ** 2).mean(1)
    robust = 2 * ROBUST**2 * (torch.sqrt(1 + apart / ROBUST**2) - 1)
    return torch.log(robust.mean((1, 2)) + FLOOR).mean()


def _turned(parts: dict[str, Tensor], random: np.random.Generator) -> dict[str, Tensor]:
    """Some brackets, mirrored and transposed."""
    axes = [axis for axis in (-1, -2) if random.random() < 0.5]
    swap = random.random() < 0.5

    def one(name: str, t: Tensor) -> Tensor:
        if name == "between":
            return t.flip(-1) if swap else t
        t = t.flip(axes) if axes else t
        return t.transpose(-1, -2) if swap else t

    return {name: one(name, t) for name, t in parts.items()}


def train(
    data: dict[int, Brackets],
    *,
    steps: int,
    seed: int,
    shape: tuple[int, int] = (HIDDEN, 1),
    rate: float = 4e-3,
    frames_at_once: int = 64,
    everyone: float = 0.1,
    say: Callable[[str], None] = print,
) -> Net:
    """Train a net; ``shape``: its hidden units and stages."""
    torch.manual_seed(seed)
    random = np.random.default_rng(seed)
    device = next(iter(data.values())).parts["frames"].device
    net = Net(*shape).to(device)
    slow = [p for name, p in net.named_parameters() if name != "slope"]
    groups = [{"params": slow, "lr": rate}, {"params": [net.slope], "lr": 20 * rate}]
    bases = [float(g["lr"]) for g in groups]  # type: ignore[arg-type]
    optimiser = torch.optim.AdamW(groups, weight_decay=0.0, betas=(0.9, 0.98))
    counts = sorted(data)
    share = np.array([len(data[n].styles) * n**0.5 for n in counts], float)
    began, losses, at = time.monotonic(), [], 0.0
    step = 0
    while at < 1:
        for group, base in zip(optimiser.param_groups, bases, strict=True):
            group["lr"] = base * min(1.0, (step + 1) / 50) * (0.5 + 0.5 * math.cos(math.pi * at)) + 1e-6
        n = int(random.choice(counts, p=share / share.sum()))
        some = data[n]
        few = min(len(some.styles), max(1, frames_at_once // n))
        which = torch.as_tensor(random.choice(len(some.styles), few, replace=False), device=device)
        parts = _turned({name: t[which] for name, t in some.parts.items()}, random)
        b = batch(parts, everyone=bool(random.random() < everyone))
        error = loss(merge(net, b), b.truth)
        optimiser.zero_grad(set_to_none=True)
        error.backward()
        size = _clipped(net)
        if math.isfinite(float(error.detach())) and math.isfinite(size):
            optimiser.step()
        losses.append(float(error.detach()))
        step += 1
        at = step / steps
        if step % 500 == 0:
            say(f"step {step}: loss {np.mean(losses[-500:]):.3f}, {time.monotonic() - began:.0f} s")
    return net.eval()


def _clipped(net: Net) -> float:
    return float(torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0))


def decibels(result: Tensor, truth: Tensor) -> float:
    apart = (result.clamp(0, 1) - truth)[..., BORDER:-BORDER, BORDER:-BORDER] ** 2
    return float(-10 * torch.log10(apart.mean()))


def judge(
    ways: dict[str, Callable[[Batch], Tensor]], data: dict[int, Brackets]
) -> dict[str, dict[str, float]]:
    """Mean dB of each way by style, and over all."""
    found: dict[str, dict[str, list[float]]] = {name: {} for name in ways}
    with torch.no_grad():
        for some in data.values():
            for i, style in enumerate(some.styles):
                one = slice(i, i + 1)
                b = batch({name: t[one] for name, t in some.parts.items()})
                for name, way in ways.items():
                    value = decibels(way(b), b.truth)
                    for key in ("all", style):
                        found[name].setdefault(key, []).append(value)
    return {name: {k: float(np.mean(v)) for k, v in sorted(rows.items())} for name, rows in found.items()}
