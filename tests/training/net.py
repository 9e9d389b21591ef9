"""The chooser's net in PyTorch, and the merge that it steers, with gradients."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from nearfar.merge.chooser.numbers import BANDS, CHANNEL, FEATURES, HIDDEN, NEAR_ZERO
from tests.training.features import octaves
from tests.training.stack import Planes, b5, doubled, halved, luma

AGREEMENT = 0.6


class Net(nn.Module):  # type: ignore[misc]
    """Linear, one stage of 3 x 3 depthwise and three taps along the frames, linear; see `nearfar.merge.chooser.net`."""

    def __init__(self, hidden: int = HIDDEN) -> None:
        super().__init__()
        self.inward = nn.Linear(FEATURES, hidden)
        self.around = nn.Parameter(0.1 * torch.randn(hidden, 1, 3, 3))
        self.along = nn.Parameter(0.1 * torch.randn(hidden, 3))
        self.middle = nn.Linear(hidden, hidden)
        self.most = nn.Linear(hidden, hidden, bias=False)
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
        n, hidden, h, w = x.shape[1:]
        flat = functional.pad(x.reshape(-1, hidden, h, w), (1, 1, 1, 1), mode="replicate")
        y = x + functional.conv2d(flat, self.around, groups=hidden).view(x.shape)
        beside = functional.pad(x, (0, 0, 0, 0, 0, 0, 1, 1))
        for tap in range(3):
            y = y + beside[:, tap : tap + n] * self.along[:, tap].view(hidden, 1, 1)
        y = _each(self.middle, y) + _each(self.most, x.amax(1, keepdim=True))
        y = functional.relu(y) * there
        logits = _each(self.outward, y) + self.slope.view(-1, 1, 1) * octaves(score + NEAR_ZERO)[:, :, None]
        gains = _each(self.gain, y.amax(1, keepdim=True))[:, 0].clamp(-1, 1)
        return logits, torch.exp2(gains)


def _each(layer: nn.Linear, x: Tensor) -> Tensor:
    y = torch.einsum("oc,bnchw->bnohw", layer.weight, x)
    return y if layer.bias is None else y + layer.bias.view(-1, 1, 1)


def shares(logits: Tensor, admission: Tensor) -> Tensor:
    """Weights (B, n, bands, h, w) that add up to 1 over the frames."""
    logits = torch.where(admission[:, :, None] > 0, logits, torch.full_like(logits, -1e4))
    weights = torch.exp2(logits - logits.amax(1, keepdim=True)) * admission[:, :, None]
    return weights / weights.sum(1, keepdim=True).clamp_min(1e-20)


def merged(p: Planes, w: Tensor, gains: Tensor) -> Tensor:
    """Colours with one weight, luma's finest band with another: as the hand-made rule merges."""
    whole = (doubled(w[:, :, 0])[:, :, None] * p.colour).sum(1)
    fine = (doubled(w[:, :, 1]) * p.fine).sum(1) * doubled(gains[:, 0])
    y = luma(whole)
    return whole + (fine - (y - b5(y)))[:, None]


def averaged(p: Planes, r1: Tensor, admission: Tensor) -> Tensor:
    """Frames that agree with the merge within the noise are averaged into it."""
    apart = halved(((p.colour - r1[:, None]) ** 2).mean(2)) / (2 * CHANNEL * p.variance)
    t = (1 - (b5(apart) - 1).clamp_min(0) / (8 * AGREEMENT)).clamp_min(0)
    w = doubled(t**8 * admission)[:, :, None]
    return (r1 + (w * p.colour).sum(1)) / (1 + w.sum(1))


def ruled(p: Planes, score: Tensor, admission: Tensor) -> Tensor:
    """The merge by scores alone: the hand-made rule, without its rule for what lies behind."""
    r = torch.where(score < 0.3, torch.zeros_like(score), score)
    sharp = p.square / (CHANNEL * p.variance)
    detail = (sharp * sharp + 1e-6) * r**16 * admission
    w = torch.stack([r**16, detail], 2)
    w = w / w.sum(1, keepdim=True).clamp_min(1e-30)
    return merged(p, w, torch.ones_like(score[:, :1]))
