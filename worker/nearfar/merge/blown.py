"""Blown light: brighter than white, and cut off there. Out of focus it spreads, with outlines as sharp as in focus.

Light that is not cut off keeps its sum under blur; of blown light more and more appears. So where it spreads is neither
sharp nor is it moved or made larger.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.picture_calls import grow_grid

F32 = NDArray[np.float32]

BLOWN = np.float32(0.8)
"""Linear light of 4 x 4 pixels from which on it may be blown ..."""
WHITE = np.float32(0.97)
"""... and from which on it surely is, which white paper is not."""

EACH = 4
"""Such means along the edge of a cell."""


def blown_cells(
    small: NDArray[np.float32] | NDArray[np.uint16], shape: tuple[int, int], least: np.float32 = BLOWN
) -> F32:
    """1 for cells (R, C) in or beside which 4 x 4 pixels have ``least`` light or more, else 0.

    ``small``: linear luma of such, 0..1, or 0..65535 in whole numbers.
    """
    limit = least * np.float32(65535 if small.dtype == np.uint16 else 1)
    above = small > limit
    if not above.any():
        return np.zeros(shape, np.float32)
    blown = np.zeros((EACH * shape[0], EACH * shape[1]), np.uint8)
    blown[: small.shape[0], : small.shape[1]] = above[: blown.shape[0], : blown.shape[1]]
    rows = np.bitwise_or.reduce([blown[k::EACH] for k in range(EACH)])
    cells = np.bitwise_or.reduce([rows[:, k::EACH] for k in range(EACH)])
    return (grow_grid(np.ascontiguousarray(cells)) > 0).astype(np.float32)
