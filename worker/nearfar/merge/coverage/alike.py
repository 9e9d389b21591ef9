"""Whether all frames have the same sharp: the focus was not moved, or by less than the depth of field.

Then neither order nor gaps can be told: what is soft by nature, as clouds are, looks like what no frame was focused on.
"""

from __future__ import annotations

import numpy as np

from nearfar.merge.coverage.curves import SURE, Curves

LEFT, NEARLY_ALL = 0.5, 0.9
"""Amplitude that the least sharp frame still has of the sharpest one's, in so large a share of the places. A view whose
foreground alone needs another focus has less. On rendered stacks that are sharp throughout it is .60 to .76 (half of their
places: .84 to .89), in brackets .05 and less (our own threshold)."""
FEWEST = 40
"""Places that must tell."""


def alike_in_focus(curves: Curves) -> bool:
    """Whether nearly all places are about as sharp in every frame, in each of the finest bands."""
    energy = curves.sample
    if len(energy) < 2:
        return False
    least, most = energy.min(axis=0), energy.max(axis=0)
    for band in range(energy.shape[1]):
        sure = most[band] > SURE * curves.sample_floor[band]
        if np.count_nonzero(sure) < FEWEST:
            return False
        if np.quantile(least[band, sure] / most[band, sure], 1 - NEARLY_ALL) < LEFT**2:
            return False
    return True
