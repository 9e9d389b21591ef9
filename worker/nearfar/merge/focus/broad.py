"""Broad detail: where no frame is sharp, what is coarser than a cell tells which of them is blurred least.

Behind a subject that fills the depth in focus lies what no frame has sharp. In the three finest bands there is nothing but
noise, and chance would put such a ground together from patches of all frames. So further bands decide there, from means of
8 x 8 pixels, as far as the finer ones do not.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.seen import GAMMA, FocusFrame, small_plane
from nearfar.merge.kernel.picture_calls import blur_grid

F32 = NDArray[np.float32]

BANDS = 3
"""Detail of 8 to 16, 16 to 32 and 32 to 64 pixels."""
AROUND = (1.0, 1.5, 3.0)
"""Sigmas in cells over which each is averaged: a cell has few places of its own."""
NOISE = 4 / 64 * np.array([0.9, 0.08, 0.02], np.float32)
"""Energy of noise in each, over that of one channel: 64 pixels are averaged, and each band of a pyramid halves twice. Four
times as much, since a mosaic and lossy compression leave coarse noise that the finest band does not tell of."""
CHANCE = np.float32(3.0)
"""Multiple of that which noise may reach by chance."""
TRUST_HALF = np.float32(3.0)
"""A band is trusted by half if its largest energy is this multiple of the noise's."""
DECIDED, APART, CLEAR_OF = 0.2, 2.0, 2.0
"""What is left to be decided in a cell that some frame has sharp, sigma in cells of the surroundings, and multiple of their
share of such cells that is taken off. Beside what is sharp its own blurred outlines are the strongest broad detail."""
LEAST = 0.01
"""Share of the cells in which finer bands leave at least half to be decided, for broad ones to be looked at."""


def energies(small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int]) -> F32:
    """Mean square (3, R, C) of broad detail of encoded luma around each cell, in the picture's geometry.

    ``small``: linear luma, means of 4 x 4 pixels. Cost: 5 ms for a frame of 24 megapixels.
    """
    plane = small_plane(small, frame, size, shape)
    level = cv2.resize(plane, (2 * shape[1], 2 * shape[0]), interpolation=cv2.INTER_AREA)
    level = np.power(np.maximum(level, 0) * np.float32(2.0**-frame.gain_ev), np.float32(1 / GAMMA))
    out = np.empty((BANDS, *shape), np.float32)
    for band in range(BANDS):
        lower = cv2.pyrDown(level)
        detail = level - cv2.pyrUp(lower, dstsize=level.shape[1::-1])
        mean = cv2.resize(
            detail * detail, shape[::-1], interpolation=cv2.INTER_AREA if band < 2 else cv2.INTER_LINEAR
        )
        out[band] = blur_grid(np.ascontiguousarray(mean, np.float32), AROUND[band])
        level = lower
    return out


def alone(undecided: F32) -> F32:
    """What finer bands leave to be decided (R, C), 0..1, without what lies beside something that they decide."""
    beside = CLEAR_OF * blur_grid((undecided < DECIDED).astype(np.float32), APART)
    return np.asarray(undecided * np.clip(1 - beside, 0, 1), np.float32)


def above_noise(energy: F32, variance: F32) -> F32:
    """Energies (3, R, C) less what noise may reach; ``variance`` (R, C) of one channel's noise."""
    return np.asarray(np.maximum(energy - CHANCE * NOISE[:, None, None] * variance, 0), np.float32)


def share_of(energy: F32, peak: F32, variance: F32, left: F32) -> F32:
    """How sharp a frame is by its broad detail (R, C), 0 to ``left``, which is what finer bands leave to be decided."""
    out = np.zeros_like(left)
    for band in range(BANDS):
        trust = peak[band] / (peak[band] + TRUST_HALF * NOISE[band] * variance + np.float32(1e-20))
        out += energy[band] / np.maximum(peak[band], np.float32(1e-20)) * (trust * left)
        left = left * (1 - trust)
    return out
