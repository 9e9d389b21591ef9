"""Logarithm and power of two from single roundings alone, so that every processor makes the same bits.

Both cut the number into its exponent, which is exact, and a short series for the rest, in the kernel's order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
ROOT_HALF = np.float32(0.70710677)
LOG_SERIES = tuple(np.float32(2 / (np.log(2) * k)) for k in (1, 3, 5, 7))
"""log2 m = 2 / ln 2 (t + t^3 / 3 + t^5 / 5 + ...), t = (m - 1) / (m + 1)."""
POWER_SERIES = tuple(np.float32(np.log(2) ** k / f) for k, f in ((1, 1), (2, 2), (3, 6), (4, 24), (5, 120)))
"""2^f = 1 + f ln 2 + (f ln 2)^2 / 2 + ..."""
LEAST_POWER = np.float32(-20)
"""Below, a power counts as nothing: exact zeros let whole stretches be skipped."""


def log2(x: F32) -> F32:
    """Binary logarithm of positive normal numbers; off by less than 1e-6."""
    part, exponent = np.frexp(x)
    low = part < ROOT_HALF
    m = np.where(low, part + part, part)
    whole = (exponent - low).astype(np.float32)
    t = (m - np.float32(1)) / (m + np.float32(1))
    s = t * t
    c1, c3, c5, c7 = LOG_SERIES
    return np.asarray(whole + t * (c1 + s * (c3 + s * (c5 + s * c7))), np.float32)


def exp2(x: F32) -> F32:
    """Two to the power of x, 0 below `LEAST_POWER`; x at most 60. Relative error below 4e-6."""
    held = np.maximum(x, LEAST_POWER)
    whole = np.floor(held + np.float32(0.5))
    f = held - whole
    c1, c2, c3, c4, c5 = POWER_SERIES
    series = np.float32(1) + f * (c1 + f * (c2 + f * (c3 + f * (c4 + f * c5))))
    scaled = np.ldexp(series, whole.astype(np.int32))
    return np.asarray(np.where(x < LEAST_POWER, np.float32(0), scaled), np.float32)
