"""Octaves and power of two from single roundings alone, so that every processor makes the same bits.

The power cuts the number into its whole part, which is exact, and a short series for the rest, in the kernel's order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
POWER_SERIES = tuple(np.float32(np.log(2) ** k / f) for k, f in ((1, 1), (2, 2), (3, 6), (4, 24), (5, 120)))
"""2^f = 1 + f ln 2 + (f ln 2)^2 / 2 + ..."""
LEAST_POWER = np.float32(-20)
"""Below, a power counts as nothing: exact zeros let whole stretches be skipped."""


def octaves(x: F32) -> F32:
    """Binary logarithm of positive normal numbers, straight between powers of two: up to .087 below the true one."""
    bits = np.ascontiguousarray(x, np.float32).view(np.int32).astype(np.float32)
    return np.asarray(bits * np.float32(2.0**-23) - np.float32(127), np.float32)


def exp2(x: F32) -> F32:
    """Two to the power of x, 0 below `LEAST_POWER`; x at most 60. Relative error below 4e-6."""
    held = np.maximum(x, LEAST_POWER)
    whole = np.floor(held + np.float32(0.5))
    f = held - whole
    c1, c2, c3, c4, c5 = POWER_SERIES
    series = np.float32(1) + f * (c1 + f * (c2 + f * (c3 + f * (c4 + f * c5))))
    scaled = np.ldexp(series, whole.astype(np.int32))
    return np.asarray(np.where(x < LEAST_POWER, np.float32(0), scaled), np.float32)
