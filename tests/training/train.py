"""Training: brackets by number of frames, batches, loss, and how well a net does on brackets that it never saw."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from nearfar.merge.chooser.numbers import HARD_HIDDEN, HARD_STAGES, HIDDEN
from nearfar.merge.kernel.twin_warp import UNIT
from tests.training import gating
from tests.training import net as nets
from tests.training.brackets import Bracket, Lens, bracket
from tests.training.features import features
from tests.training.gating import Least, Pair
from tests.training.net import Net
from tests.training.stack import Planes, planes, spread
from tests.training.things import Studio

PARTS = ("frames", "truth", "variance", "prior", "admitted", "between")
COUNTS = (3, 4, 6, 8, 12, 16, 24, 40, 60)
SHARES = (0.04, 0.08, 0.16, 0.17, 0.18, 0.13, 0.12, 0.07, 0.05)
BORDER = 12
ROBUST = (0.03, 0.1)
FLOOR = 2e-6


@dataclass(frozen=True, kw_only=True)
class Brackets:
    """All brackets with one number of frames."""

    parts: dict[str, Tensor]
    """What a `Bracket` has, stacked."""
    styles: tuple[str, ...]


def make(
    count: int, seed: int, device: torch.device, *, first: int = 0, every: int = 1
) -> dict[int, Brackets]:
    """So many random brackets, by their number of frames; of these each ``every``-th from ``first`` on."""
    frames = np.random.default_rng(seed).choice(COUNTS, count, p=SHARES)
    lens = Lens(device)
    made: dict[int, list[Bracket]] = {n: [] for n in COUNTS}
    with torch.no_grad():
        for i in range(first, count, every):
            n = int(frames[i])
            made[n].append(bracket(Studio(seed * 1_000_003 + i, device), lens, n))
    return {
        n: Brackets(
            parts={name: torch.stack([getattr(b, name) for b in some]) for name in PARTS},
            styles=tuple(b.style for b in some),
        )
        for n, some in made.items()
        if some
    }


def joined(shares: Sequence[dict[int, Brackets]]) -> dict[int, Brackets]:
    """All brackets of several that were made apart."""
    whole = {}
    for n in COUNTS:
        some = [share[n] for share in shares if n in share]
        if some:
            parts = {name: torch.cat([one.parts[name] for one in some]) for name in PARTS}
            whole[n] = Brackets(parts=parts, styles=sum((one.styles for one in some), ()))
    return whole


@dataclass(frozen=True, kw_only=True)
class Batch:
    """What the nets see, what the rule makes of it, and the truth."""

    planes: Planes
    values: Tensor
    score: Tensor
    mask: Tensor
    admission: Tensor
    prior: Tensor
    between: Tensor
    truth: Tensor
    rule: Tensor
    spread: Tensor


def batch(parts: dict[str, Tensor], *, everyone: Tensor | float = 0.0, told: Tensor | float = 1.0) -> Batch:
    """Features of some brackets; ``everyone`` 1: all frames are let in everywhere; ``told``: see `features`."""
    with torch.no_grad():
        cells = parts["variance"]
        variance = cells.repeat_interleave(8, -1).repeat_interleave(8, -2)
        p = planes(parts["frames"].float() / float(UNIT), variance)
        admitted = (parts["admitted"].float() + everyone).clamp_max(1)
        mask = admitted.repeat_interleave(8, -1).repeat_interleave(8, -2)
        admission = spread(admitted)
        prior = spread(parts["prior"])
        seen = features(p, prior, mask, admission, told)
        plain = features(p, prior, mask, admission).score
        rule = gating.ruled(p, plain, admission)
        apart = gating.spread_of(p, plain)
    return Batch(
        planes=p,
        values=seen.values,
        score=seen.score,
        mask=mask,
        admission=admission,
        prior=prior,
        between=parts["between"],
        truth=parts["truth"],
        rule=rule,
        spread=apart,
    )


def _averaged(b: Batch, w: Tensor, gains: Tensor) -> Tensor:
    return nets.averaged(b.planes, nets.merged(b.planes, w, gains), (b.admission, b.mask, b.between))


def merge(net: Net, b: Batch) -> Tensor:
    """All places by one net."""
    logits, gains = net(b.values, b.score, b.mask)
    return _averaged(b, nets.weighed(logits, b.admission), gains)


def merge_by(pair: Pair, b: Batch, least: Least = gating.LEAST) -> Tensor:
    """Each cell by whom the engine would ask."""
    return _averaged(
        b, *gating.weights(pair, (b.values, b.score, b.mask, b.admission), b.rule, b.spread, least)
    )


def rule(b: Batch) -> Tensor:
    return nets.averaged(
        b.planes, nets.ruled(b.planes, b.score, b.admission), (b.admission, b.mask, b.between)
    )


def loss(result: Tensor, truth: Tensor, robust: tuple[float, ...] = ROBUST) -> Tensor:
    """Logarithm of the robust mean squared error of each picture, mean over how far errors count by their squares."""
    apart = ((result - truth)[..., BORDER:-BORDER, BORDER:-BORDER] ** 2).mean(1)
    total = torch.zeros((), device=apart.device)
    for far in robust:
        held = 2 * far**2 * (torch.sqrt(1 + apart / far**2) - 1)
        total = total + torch.log(held.mean((1, 2)) + FLOOR).mean()
    return total / len(robust)


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


@dataclass(frozen=True, kw_only=True)
class Way:
    """How to train."""

    steps: int
    seed: int = 1
    rate: float = 4e-3
    frames_at_once: int = 64
    everyone: float = 0.1
    """Share of the steps in which every frame is let in."""
    robust: tuple[float, ...] = ROBUST
    told: tuple[float, ...] = (1.0,)
    """Shares of the noise that the nets are told, each as often."""
    shares: tuple[float, float, float] = (0.4, 0.3, 0.3)
    """Of the steps in which each has its cells, in which the usual net has all, and in which that for hard cells has all."""


class Steps:
    """Steps of training both nets together; recorded once for each number of frames where there is an accelerator."""

    def __init__(self, pair: Pair, way: Way, device: torch.device) -> None:
        self.pair, self.way, self.device = pair, way, device
        self.alone = {(0.0, 1.0, 0.0): pair.usual, (0.0, 0.0, 1.0): pair.hard}.get(way.shares)
        slopes = [pair.usual.slope, pair.hard.slope]
        others = [p for p in pair.parameters() if not any(p is s for s in slopes)]
        self.all = [*others, *slopes]
        self.bases = (way.rate, 20 * way.rate)
        groups = [
            {"params": some, "lr": torch.tensor(base, device=device)}
            for some, base in zip((others, slopes), self.bases, strict=True)
        ]
        self.optimiser = torch.optim.AdamW(
            groups, weight_decay=0.0, betas=(0.9, 0.98), capturable=device.type == "cuda"
        )
        for p in self.all:
            p.grad = torch.zeros_like(p)
        self.everyone, self.told, self.least, self.hard = (torch.zeros((), device=device) for _ in range(4))
        self.held: dict[int, dict[str, Tensor]] = {}
        self.errors: dict[int, Tensor] = {}
        self.graphs: dict[int, torch.cuda.CUDAGraph] = {}
        self.pool: object = None

    def at(self, share: float, step: int) -> None:
        """Rates at a share of all steps."""
        for group, base in zip(self.optimiser.param_groups, self.bases, strict=True):
            rate = base * min(1.0, (step + 1) / 50) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
            group["lr"].fill_(rate)

    def _work(self, parts: dict[str, Tensor]) -> Tensor:
        torch._foreach_zero_([p.grad for p in self.all])
        b = batch(parts, everyone=self.everyone, told=self.told)
        one = self.alone
        result = merge_by(self.pair, b, (self.least, self.hard)) if one is None else merge(one, b)
        error = loss(result, b.truth, self.way.robust)
        error.backward()
        for p in self.all:
            p.grad.nan_to_num_(0.0, 0.0, 0.0)
        torch.nn.utils.clip_grad_norm_(self.all, 1.0, foreach=True)
        self.optimiser.step()
        return error.detach()

    def step(
        self, n: int, parts: dict[str, Tensor], told: float, least: tuple[float, float], *, everyone: bool
    ) -> Tensor:
        """One step; the loss before it."""
        self.everyone.fill_(float(everyone))
        self.told.fill_(told)
        self.least.fill_(least[0])
        self.hard.fill_(least[1])
        if self.device.type != "cuda":
            return self._work(parts)
        if n in self.graphs:
            for name, t in parts.items():
                self.held[n][name].copy_(t)
            self.graphs[n].replay()
            return self.errors[n]
        self.held[n] = {name: t.clone().contiguous() for name, t in parts.items()}
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            error = self._work(self.held[n]).clone()
        torch.cuda.current_stream().wait_stream(aside)
        self.graphs[n] = torch.cuda.CUDAGraph()
        with torch.cuda.graph(self.graphs[n], pool=self.pool):
            self.errors[n] = self._work(self.held[n])
        self.pool = self.graphs[n].pool()
        return error


def fresh(device: torch.device) -> Pair:
    """Two nets that have learned nothing."""
    return Pair(usual=Net(HIDDEN, 1).to(device), hard=Net(HARD_HIDDEN, HARD_STAGES).to(device))


def train(
    data: dict[int, Brackets], way: Way, *, say: Callable[[str], None] = print, pair: Pair | None = None
) -> Pair:
    """Train both nets together, each on the cells that it is given; ``pair``: nets to go on with, which change."""
    torch.manual_seed(way.seed)
    random = np.random.default_rng(way.seed)
    device = next(iter(data.values())).parts["frames"].device
    pair = pair or fresh(device)
    steps = Steps(pair, way, device)
    counts = sorted(data)
    share = np.array([len(data[n].styles) * n**0.5 for n in counts], float)
    began = time.monotonic()
    total = torch.zeros((), device=device)
    modes = (gating.LEAST, (-math.inf, math.inf), (-math.inf, -math.inf))
    for step in range(way.steps):
        steps.at(step / way.steps, step)
        n = int(random.choice(counts, p=share / share.sum()))
        some = data[n]
        few = min(len(some.styles), max(1, way.frames_at_once // n))
        which = torch.as_tensor(random.choice(len(some.styles), few, replace=False), device=device)
        parts = _turned({name: t[which] for name, t in some.parts.items()}, random)
        least, told = modes[int(random.choice(3, p=way.shares))], float(random.choice(way.told))
        total += steps.step(n, parts, told, least, everyone=bool(random.random() < way.everyone))
        if (step + 1) % 500 == 0:
            say(f"step {step + 1}: loss {float(total) / 500:.3f}, {time.monotonic() - began:.0f} s")
            total.zero_()
    return pair


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
