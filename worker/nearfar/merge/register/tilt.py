"""What a tilted surface does to a link, and how to take it back.

A ray through place a of the lens (unit disk) meets a tilted surface where y = x + a R(y), R the blur radius there; so
a pixel sees on average x + grad(R^2) / 8. Between two frames whose blur differs, all patterns on a tilted surface seem
to move, alike in every pair of a stack: no comparison of pairs shows it, and over a stack it adds up. But every block
measures the change of blur, beta = (R_b^2 - R_a^2) / 8 (half the growth of a disk's variance R^2 / 4), and what blur
alone moves is -grad beta, taken from the differences of adjacent blocks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.register_calls import BLOCK
from nearfar.merge.register.blocks import BlockEquations

_LEAST_PAIRS = 8
_RIDGE = 0.02  # of the mean information: few pairs correct little
_ROUNDS = 8
_CUT = 2.0


def _neighbours(origins: NDArray[np.int32], dx: int, dy: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Indices of blocks, and of the blocks that lie (dx, dy) from them."""
    width = int(origins[:, 0].max()) + BLOCK + 1
    code = origins[:, 1].astype(np.int64) * width + origins[:, 0]
    order = np.argsort(code, kind="stable")
    wanted = code + dy * width + dx
    at = np.minimum(np.searchsorted(code[order], wanted), len(code) - 1)
    found = code[order][at] == wanted
    return np.flatnonzero(found), order[at[found]]


def _pairs(
    origins: NDArray[np.int32],
    blur: NDArray[np.float64],
    weight: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Design (P, 4), gradient and strength of all adjacent pairs, beside and below each other."""
    designs, values, strengths = [], [], []
    for beside in (True, False):
        i, j = _neighbours(origins, BLOCK if beside else 0, 0 if beside else BLOCK)
        mx, my, one, zero = (x[i] + x[j]) / 2, (y[i] + y[j]) / 2, np.ones(len(i)), np.zeros(len(i))
        designs.append(np.stack([one, zero, mx, -my] if beside else [zero, one, my, mx], axis=1))
        values.append((blur[j] - blur[i]) / BLOCK)
        strengths.append(np.sqrt(weight[i] * weight[j]))
    strength = np.concatenate(strengths)
    use = strength > 0
    return np.concatenate(designs)[use], np.concatenate(values)[use], strength[use]


def tilt_step(
    origins: NDArray[np.int32],
    blocks: BlockEquations,
    weight: NDArray[np.float64],
    *,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: float,
) -> NDArray[np.float64]:
    """(x, y, log scale, roll) by which blur alone seems to move the second frame; zero where it cannot be told.

    ``weight`` is what each block counts for in the link's fit: the similarity that is fitted to the gradients is then
    the one by which the link is off. Depth edges, where beta jumps, are left out by robust weights.
    """
    design, value, strength = _pairs(origins, blocks.blur, weight, x, y)
    if len(value) < _LEAST_PAIRS:
        return np.zeros(4)
    units = np.array([1, 1, 1 / radius, 1 / radius])
    design = design * units
    trust, step = np.ones(len(value)), np.zeros(4)
    for _ in range(_ROUNDS):
        w = strength * trust
        normal = design.T @ (w[:, None] * design)
        normal += _RIDGE * np.trace(normal) / 4 * np.eye(4)
        step = np.linalg.solve(normal, design.T @ (w * value))
        off = np.abs(value - design @ step)
        order = np.argsort(off, kind="stable")
        total = np.cumsum(strength[order])
        spread = 1.48 * float(off[order[np.searchsorted(total, 0.5 * total[-1])]]) + 1e-9
        trust = 1 / (1 + (off / (_CUT * spread)) ** 2) ** 2
    return np.asarray(-step * units)
