"""The chooser's features in PyTorch, with gradients off; `nearfar.merge.chooser.features` is the same in NumPy."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from nearfar.merge.chooser.numbers import LEAST, PRIOR_WEIGHT, QUIET
from tests.training.stack import Planes, b5, largest, luma, noise_of, softened

NAMES = (
    "fine energy",
    "fine energy around",
    "second energy",
    "prior",
    "fine above noise",
    "second above noise",
    "nearer ones sharper",
    "farther ones sharper",
    "distance around",
    "distance",
    "brighter",
    "nearer ones known",
    "farther ones known",
    "brighter around",
)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """``values`` (B, n, features, h, w), ``score`` r = V / max V (B, n, h, w)."""

    values: Tensor
    score: Tensor


def octaves(x: Tensor) -> Tensor:
    """Binary logarithm, straight between powers of two."""
    return x.contiguous().view(torch.int32).float() * 2.0**-23 - 127


def bent(x: Tensor) -> Tensor:
    return x / (1 + x.abs())


def _top(e: Tensor) -> Tensor:
    return e.amax(1, keepdim=True)


def _others(x: Tensor) -> tuple[Tensor, Tensor]:
    """Largest values among nearer, and among farther frames."""
    nothing = torch.zeros_like(x[:, :1])
    nearer = torch.cat([nothing, x.cummax(1).values[:, :-1]], 1)
    farther = torch.cat([x.flip(1).cummax(1).values.flip(1)[:, 1:], nothing], 1)
    return nearer, farther


def _sharper(e: Tensor, noise: Tensor) -> tuple[Tensor, Tensor]:
    """By how many octaves the largest energy around among nearer, and among farther frames is above this one's."""
    nearer, farther = _others(largest(e, 5))
    own = octaves(e + noise)
    return (octaves(nearer + noise) - own) / 10, (octaves(farther + noise) - own) / 10


def features(p: Planes, prior: Tensor, mask: Tensor, admission: Tensor, told: Tensor | float = 1.0) -> Seen:
    """``prior``, ``mask`` (1 where a frame's energies count), ``admission`` (B, n, h, w); nearest frame first. ``told``: the
    share of the noise's variance that the net is told, a number or (B, 1, 1, 1).
    """
    n0, n1, nc = noise_of(p.variance * told)
    e0 = (p.square - n0).clamp_min(0) * mask
    around = (b5(p.square) - n0).clamp_min(0) * mask
    e1 = (p.second - n1).clamp_min(0) * mask
    rel = [e / (_top(e) + QUIET * n) for e, n in ((e0, n0), (around, n0), (e1, n1))]
    score = admission * (LEAST + PRIOR_WEIGHT * prior + rel[0] + rel[2])
    most, best = score.max(1, keepdim=True)
    r = score / most.clamp_min(1e-12)
    taken = best[:, :, None].expand(-1, -1, 3, -1, -1)
    first = torch.gather(p.half_colour, 1, taken)
    apart = ((p.half_colour - first) ** 2).mean(2) / (2 * nc)
    brighter = p.half_luma - luma(first)
    known = prior * mask
    over_known = 1 / _top(known).clamp_min(1e-9)
    known_nearer, known_farther = _others(known)
    nearer, farther = _sharper(e1, n1)
    whole = torch.ones_like(r)
    values = [
        *rel,
        known * over_known,
        whole * octaves(1 + _top(around) / n0) / 12,
        whole * octaves(1 + _top(e1) / n1) / 12,
        nearer,
        farther,
        octaves(1 + b5(apart)) / 6,
        octaves(1 + softened(apart)) / 6,
        bent(12 * brighter),
        (known_nearer - known) * over_known,
        (known_farther - known) * over_known,
        bent(12 * b5(brighter)),
    ]
    return Seen(values=torch.stack(values, 2), score=r)
