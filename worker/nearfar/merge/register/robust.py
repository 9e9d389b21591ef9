"""Statistics that a few wild values do not move."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

OVER_MEDIAN = 1.48
"""Standard deviation of a Gaussian over the median of its distances from the middle, 1 / .6745."""


def weighted_median(values: F64, weights: F64) -> float:
    """The least of the ``values`` (K,) that, with all below it, has half of the ``weights`` (K,); K is 1 or more."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order[int(np.searchsorted(total, 0.5 * total[-1]))]])
