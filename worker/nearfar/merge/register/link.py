"""A link: the measured pose from one frame to another, as the adjustment of all poses takes it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.similarity import Similarity


@dataclass(frozen=True, kw_only=True)
class Link:
    """The measured pose from one frame to another."""

    first: int
    second: int
    pose: Similarity
    information: NDArray[np.float64]
    """(4, 4), inverse covariance of (x, y, log scale, roll)."""
    doubt: float = 1.0
    """How many times the usual error, beyond its noise, the link may have."""
    astray: float = 0.0
    """px, in shift and at the RMS radius, by which it may err beyond its noise since what it was measured on disagrees."""
    coarse: bool = False
    """From reduced pictures: their scale changes too much with refocusing to say anything about a law of breathing."""
