"""Whether all frames have the same sharp: the focus was not moved, or by less than the depth of field.

Then neither order nor gaps can be told: what is soft by nature, as clouds are, looks like what no frame was focused on.
"""

from __future__ import annotations

import numpy as np

from nearfar.merge.coverage.curves import SURE, Curves

LEFT = 0.6
"""Amplitude that the least sharp frame of half of the places still has of the sharpest one's. On rendered stacks that are
sharp throughout it is .84 to .94, in brackets .1 and less (our own threshold)."""
FEWEST = 40
"""Places that must tell."""


def alike_in_focus(curves: Curves) -> bool:
    """Whether most places are about as sharp in every frame, in each of the finest bands."""
    energy = curves.sample
    if len(energy) < 2:
        return False
    least, most = energy.min(axis=0), energy.max(axis=0)
    for band in range(energy.shape[1]):
        sure = most[band] > SURE * curves.sample_floor[band]
        if np.count_nonzero(sure) < FEWEST:
            return False
        if np.median(least[band, sure] / most[band, sure]) < LEFT**2:
            return False
    return True
