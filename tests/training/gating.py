"""Who weighs the frames of a cell, as in `nearfar.merge.chooser.where`: the rule, the usual net, or that for hard cells."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from nearfar.merge.chooser.numbers import CHANNEL, HALF_LUMA
from nearfar.merge.chooser.where import CELL, HARD, SPREADS
from tests.training import net as nets
from tests.training.net import Net
from tests.training.stack import Planes

Least = tuple[Tensor | float, Tensor | float]
LEAST: Least = SPREADS["learned"], HARD * SPREADS["learned"]
"""Spread from which a cell is given to a net, and from which to that for hard cells."""


@dataclass(frozen=True, kw_only=True)
class Pair:
    """The two nets."""

    usual: Net
    hard: Net

    def parameters(self) -> list[torch.nn.Parameter]:
        return [*self.usual.parameters(), *self.hard.parameters()]


def spread_of(p: Planes, score: Tensor) -> Tensor:
    """Variance of luma (B, 1, h, w) among the frames that the rule weighs, less the noise, alike within a cell."""
    v = score**4
    total = v.sum(1, keepdim=True).clamp_min(1e-12)
    mean = (v * p.half_luma).sum(1, keepdim=True) / total
    apart = (v * (p.half_luma - mean) ** 2).sum(1, keepdim=True) / total - HALF_LUMA * p.variance
    cells = functional.avg_pool2d(apart, CELL)
    return cells.repeat_interleave(CELL, -1).repeat_interleave(CELL, -2)


def ruled(p: Planes, score: Tensor, admission: Tensor) -> Tensor:
    """The hand-made rule's weights (B, n, 3, h, w); the second band is not chosen apart from the colours."""
    r = torch.where(score < 0.3, torch.zeros_like(score), score)
    sharp = p.square / (CHANNEL * p.variance)
    colour = r**16
    return torch.stack([colour, (sharp * sharp + 1e-6) * colour * admission, colour], 2)


def weights(
    pair: Pair, seen: tuple[Tensor, Tensor, Tensor, Tensor], rule: Tensor, spread: Tensor, least: Least
) -> tuple[Tensor, Tensor]:
    """Weights (B, n, 3, h, w) and gains (B, 2, h, w) of who has a place; where it is the rule, the second gain is 0.

    Parameters
    ----------
    seen
        What the nets see: values, score, mask and admission.
    rule, spread
        What `ruled` and `spread_of` say.
    least
        The spread from which a cell is given to a net, and from which to that for hard cells.
    """
    values, score, mask, admission = seen
    pays, hard = spread > least[0], spread > least[1]
    w = rule / rule.amax(1, keepdim=True).clamp_min(1e-20)
    gains = torch.cat([torch.ones_like(spread), torch.zeros_like(spread)], 1)
    for net, where in ((pair.usual, pays), (pair.hard, hard)):
        logits, found = net(values, score, mask)
        w = torch.where(where[:, :, None], nets.weighed(logits, admission), w)
        gains = torch.where(where, found, gains)
    return w, gains
