"""How what is sharp wanders through the picture from frame to frame.

In a stack some blocks get sharper while others get softer, and the pattern changes steadily: the further apart two
frames, the more it differs. In a burst, a bracket or repeats it stays, or changes at random. A second stack of the
same view jumps back to a pattern that was there before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.intake.card.previews import Look

Floats = NDArray[np.float64]
QUANTISED = 0.35
"""Detail that rounding to 8 bit alone makes, of 0..255."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Patterns:
    """Patterns of a run of frames.

    ``apart``: (n, n) root mean square difference of log detail between frames, natural logarithm, frame means taken
    off. ``level``: (n,) mean log detail of each frame. ``detail``: how many blocks and octaves have something to tell.
    ``logs``: (n, places) log detail of those that surely have.
    """

    apart: Floats
    level: Floats
    detail: float
    logs: Floats


def patterns(looks: Sequence[Look]) -> Patterns:
    """Compare the sharpness of frames whose looks were made alike."""
    energy = np.stack([look.sharp for look in looks]).astype(np.float64)
    n = len(energy)
    floor = np.maximum(np.quantile(energy, 0.04, axis=(0, 2, 3)), QUANTISED)[None, :, None, None]
    most = np.quantile(energy, min(1.0, 1 - 0.5 / n), axis=0)
    weight = np.clip((most - 1.8 * floor[0]) / (most + 1.8 * floor[0]), 0, 1).reshape(-1)
    logs = 0.5 * np.log(energy**2 + floor**2).reshape(n, -1)
    total = max(float(weight.sum()), 1e-9)
    level = logs @ weight / total
    spread = (logs - level[:, None]) * np.sqrt(weight / total)
    squares = (spread * spread).sum(1)
    apart = np.sqrt(np.maximum(squares[:, None] + squares[None] - 2 * spread @ spread.T, 0))
    return Patterns(apart=apart, level=level, detail=total, logs=logs[:, weight > 0.5])


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """What the patterns of a run say together.

    ``amplitude``: difference between frames far apart in the run. ``step``: median difference between neighbours.
    ``order``: correlation of difference with distance in the run, -1..1; near 1 if focus wanders steadily.
    """

    amplitude: float
    step: float
    order: float

    @property
    def growth(self) -> float:
        """Far differences over near ones, as squares: 1 for noise, about n/2 for a random walk, more for a sweep."""
        return (self.amplitude / max(self.step, 1e-3)) ** 2


def sweep(apart: Floats) -> Sweep:
    """Summary of (n, n) pattern differences, n > 1."""
    n = len(apart)
    rows, columns = np.triu_indices(n, 1)
    lag, values = columns - rows, apart[rows, columns]
    far = values[lag >= max(1, (n + 1) // 2)]
    order = float(np.corrcoef(lag, values)[0, 1]) if n > 2 and values.std() > 1e-9 and lag.std() > 0 else 0.0
    return Sweep(amplitude=float(np.median(far)), step=float(np.median(values[lag == 1])), order=order)


def traded(logs: Floats) -> float:
    """How much some places gain while others lose (log detail), in the fifth of pairs far apart where this is most.

    Focus trades sharpness between near and far; shake, haze and exposure take it everywhere at once. 0 if nothing
    can be told. Measured on rendered cards: above 0.35 in three stacks of four, in one of 21 runs of repeats; below 0.1
    in one stack of eight, since a view may be deep in the middle of its sweep only.
    """
    n, places = logs.shape
    rows, columns = np.triu_indices(n, max(1, n // 3))
    if places < 4 or not len(rows):
        return 0.0
    some = np.linspace(0, len(rows) - 1, min(len(rows), 200)).astype(int)
    change = logs[columns[some]] - logs[rows[some]]
    gained, lost = np.quantile(change, 0.9, axis=1), -np.quantile(change, 0.1, axis=1)
    return float(np.quantile(np.minimum(gained, lost), 0.8))
