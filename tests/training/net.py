"""The chooser's net in PyTorch, and the merge that it steers, with gradients."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from nearfar.merge.chooser.numbers import BAND0, BANDS, CHANNEL, FEATURES, HIDDEN, NEAR_ZERO
from nearfar.merge.kernel import twin_average
from nearfar.merge.recipe import RenderRecipe
from tests.training.features import octaves
from tests.training.stack import Planes, b5, doubled, halved, luma, softened

AGREEMENT = RenderRecipe().agreement
COUNTS, SURE, LOST, FEW = (
    float(v) for v in (twin_average.COUNTS, twin_average.SURE, twin_average.LOST, twin_average.FEW)
)
MIDDLE, SIDE = float(twin_average.MIDDLE), tuple(float(v) for v in twin_average.SIDE)


class Stage(nn.Module):  # type: ignore[misc]
    """A look at the places and frames beside, then linear; with the largest of all frames."""

    def __init__(self, hidden: int) -> None:
        super().__init__()
        self.around = nn.Parameter(0.1 * torch.randn(hidden, 1, 3, 3))
        self.along = nn.Parameter(0.1 * torch.randn(hidden, 3))
        self.middle = nn.Linear(hidden, hidden)
        self.most = nn.Linear(hidden, hidden, bias=False)

    def forward(self, x: Tensor, there: Tensor) -> Tensor:
        y = _each(self.middle, _beside(x, self.around, self.along))
        return functional.relu(y + _each(self.most, x.amax(1, keepdim=True))) * there


class Net(nn.Module):  # type: ignore[misc]
    """Linear, stages of 3 x 3 depthwise and three taps along the frames, linear; see `nearfar.merge.chooser.net`."""

    def __init__(self, hidden: int = HIDDEN, stages: int = 1) -> None:
        super().__init__()
        self.inward = nn.Linear(FEATURES, hidden)
        self.stages = nn.ModuleList(Stage(hidden) for _ in range(stages))
        self.outward = nn.Linear(hidden, BANDS)
        self.gain = nn.Linear(hidden, BANDS - 1)
        self.slope = nn.Parameter(torch.full((BANDS,), 8.0))
        for layer in (self.outward, self.gain):
            nn.init.zeros_(layer.weight)
            nn.init.zeros_(layer.bias)

    def forward(self, values: Tensor, score: Tensor, mask: Tensor) -> tuple[Tensor, Tensor]:
        """Logits (base 2) (B, n, bands, h, w) and gains (B, bands - 1, h, w) of the fine bands."""
        there = (mask > 0)[:, :, None].float()
        x = functional.relu(_each(self.inward, values)) * there
        for stage in self.stages:
            x = stage(x, there)
        logits = _each(self.outward, x) + self.slope.view(-1, 1, 1) * octaves(score + NEAR_ZERO)[:, :, None]
        gains = _each(self.gain, x.amax(1, keepdim=True))[:, 0].clamp(-1, 1)
        return logits, torch.exp2(gains)


def _beside(x: Tensor, around: Tensor, along: Tensor) -> Tensor:
    n, hidden, h, w = x.shape[1:]
    flat = functional.pad(x.reshape(-1, hidden, h, w), (1, 1, 1, 1), mode="replicate")
    y = x + functional.conv2d(flat, around, groups=hidden).view(x.shape)
    beside = functional.pad(x, (0, 0, 0, 0, 0, 0, 1, 1))
    for tap in range(3):
        y = y + beside[:, tap : tap + n] * along[:, tap].view(hidden, 1, 1)
    return y


def _each(layer: nn.Linear, x: Tensor) -> Tensor:
    y = torch.einsum("oc,bnchw->bnohw", layer.weight, x)
    return y if layer.bias is None else y + layer.bias.view(-1, 1, 1)


def weighed(logits: Tensor, admission: Tensor) -> Tensor:
    """Weights (B, n, bands, h, w), 1 for the best frame."""
    logits = torch.where(admission[:, :, None] > 0, logits, torch.full_like(logits, -1e4))
    return torch.exp2(logits - logits.amax(1, keepdim=True)) * admission[:, :, None]


def _mean(weights: Tensor, planes: Tensor) -> Tensor:
    """Mean over the frames of planes (B, n, ..., H, W) by weights (B, n, H, W)."""
    total = weights.sum(1).clamp_min(1e-20)
    if planes.dim() > weights.dim():
        weights, total = weights[:, :, None], total[:, None]
    return (weights * planes).sum(1) / total


def merged(p: Planes, w: Tensor, gains: Tensor) -> tuple[Tensor, Tensor]:
    """Colours with one weight, luma's finer bands with others: as the hand-made rule merges. With the finest band."""
    whole = _mean(doubled(w[:, :, 0]), p.colour)
    fine = _mean(doubled(w[:, :, 1]), p.fine) * doubled(gains[:, 0])
    y = luma(whole)
    whole = whole + (fine - (y - b5(y)))[:, None]
    if w.shape[2] > 2:  # the rule has no weights of its own for the second band
        half = halved(y)
        more = _mean(w[:, :, 2], p.middle) * gains[:, 1] - (half - b5(half))
        whole = whole + doubled(torch.where(gains[:, 1] > 0, more, torch.zeros_like(more)))[:, None]
    return whole, fine


def averaged(p: Planes, r1: tuple[Tensor, Tensor], prepared: tuple[Tensor, Tensor, Tensor]) -> Tensor:
    """Frames that agree with the merge within the noise are averaged into it; see `nearfar.merge.kernel.twin_average`."""
    picture, fine = r1
    admission, mask, between = prepared
    places = between[..., None, None]
    apart = halved(((p.colour - picture[:, None]) ** 2).mean(2)) / (2 * CHANNEL * p.variance)
    t = (1 - (b5(apart) - 1).clamp_min(0) / (8 * AGREEMENT)).clamp_min(0)
    agree = t**8 * admission
    share, believed = _shown(p, agree.detach(), mask, 1 - LOST * places.sum(2))
    weight = COUNTS * agree * share
    up = doubled(weight)
    over = 1 / (1 + up.sum(1))
    fine = fine + (up * p.fine).sum(1)
    mean = fine / (1 + doubled((weight * share).sum(1)))
    out = (picture + (up[:, :, None] * p.colour).sum(1)) * over[:, None] + (mean - fine * over)[:, None]
    amount = (weight[:, :, None] * places).sum(1) * (believed / (FEW + weight.sum(1, keepdim=True)))
    amount = amount.repeat_interleave(2, -1).repeat_interleave(2, -2)
    return out + (amount[:, 0] * _taken(mean, -1) + amount[:, 1] * _taken(mean, -2))[:, None]


def _taken(fine: Tensor, axis: int) -> Tensor:
    """What a warp halfway between two pixels takes from the finest band along one axis, times 4."""
    out = MIDDLE * fine
    for reach, tap in enumerate(SIDE, 1):
        out = out + tap * (fine.roll(reach, axis) + fine.roll(-reach, axis))
    return out


def _shown(p: Planes, agree: Tensor, mask: Tensor, kept: Tensor) -> tuple[Tensor, Tensor]:
    """The share that each frame shows of luma's finest band, and how far that stands above the noise."""
    nv = BAND0 * p.variance
    energy = (softened(p.square) - nv).clamp_min(0) * mask / (kept * kept)
    best = (energy * agree).amax(1, keepdim=True)
    clear = best * best
    sure = clear / (clear + (SURE * nv) ** 2)
    return 1 - sure * (1 - kept * (energy / best.clamp_min(1e-12)).clamp_max(1).sqrt()), sure


def ruled(p: Planes, score: Tensor, admission: Tensor) -> tuple[Tensor, Tensor]:
    """The merge by scores alone: the hand-made rule, without its rule for what lies behind."""
    r = torch.where(score < 0.3, torch.zeros_like(score), score)
    sharp = p.square / (CHANNEL * p.variance)
    detail = (sharp * sharp + 1e-6) * r**16 * admission
    return merged(p, torch.stack([r**16, detail], 2), torch.ones_like(score[:, :1]))
