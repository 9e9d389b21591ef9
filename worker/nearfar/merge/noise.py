"""Noise of the frames, by brightness, measured in the cells that contain nothing else.

In a bracket most places are out of focus in most frames, so that their fine bands contain only noise. The lowest cells of
each frame, corrected for being the lowest, give the noise of each band. The estimate is low on purpose: one that is too high
would smooth away texture, one that is too low only loses some averaging.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]

EDGES = np.array([0.02, 0.08, 0.16, 0.26, 0.38, 0.52, 0.68, 0.84, 0.98], np.float32)
"""Limits of the bins of encoded luma; cells that are nearly black or white are clipped and not used."""
CENTRES = (EDGES[1:] + EDGES[:-1]) / 2

WHITE = np.array([0.3546, 0.0887, 0.0221])
"""Energy of the three bands for white noise of variance 1 in each channel; simulated, and a test repeats the simulation."""
LOWEST = 0.02
LOWEST_OF_MEAN = np.array([0.8157, 0.6545, 0.3987])
"""That quantile of cells of white noise, as a share of their mean; simulated, and a test repeats the simulation."""
COARSEST = np.array([1.0, 2.0, 2.5])
"""How much more noise per pixel than the finest band the others may hold: demosaicing and JPEG take from the finest."""
AMONG_FRAMES = 0.1
"""Quantile over the frames: on white noise 1 % low, on texture up to 5 % nearer to the truth than the lower quarter."""
FEWEST = 60
"""The fewest cells that a bin needs to be used."""
FLOOR = {8: (1 / 255) ** 2 / 12, 16: 1e-8}
"""By depth, the smallest variance that is assumed: that of rounding for 8 bits, .0001 squared for 16."""


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Variance of the noise of one channel by brightness, and how it is spread over the bands of luma.

    ``variance`` (8,) is given at `CENTRES`; ``bands`` (3,) is each band's energy over that of white noise of that variance.
    """

    variance: NDArray[np.float64]
    bands: NDArray[np.float64]

    def at(self, luma: F32) -> F32:
        """Variance of one channel for given encoded luma."""
        return np.interp(luma, CENTRES, self.variance).astype(np.float32)

    def energy(self, band: int, luma: F32) -> F32:
        """What noise alone contributes to a band's energy for given encoded luma."""
        return self.at(luma) * self.white(band)

    def white(self, band: int) -> np.float32:
        """Energy of noise of variance 1 in a band."""
        return np.float32(WHITE[band] * self.bands[band])

    @property
    def sigma(self) -> float:
        """Standard deviation in mid-tones, with white at 1."""
        return float(np.sqrt(self.variance[len(self.variance) // 2]))


def lowest_cells(energy: F32, mean: F32) -> NDArray[np.float64]:
    """Noise energy by band and bin of brightness, (3, 8), as one frame suggests it; NaN for bins with too few cells."""
    out = np.full((3, len(CENTRES)), np.nan)
    bins = np.zeros(mean.size, np.uint8)  # as of `np.digitize`: 0 is below all of them
    for edge in EDGES:
        bins += mean.reshape(-1) >= edge
    order = np.argsort(bins, kind="stable")  # each bin's cells in a row
    ends = np.cumsum(np.bincount(bins, minlength=len(EDGES) + 1))
    for band in range(3):
        sorted_by_bin = energy[band].reshape(-1)[order]
        for b in range(len(CENTRES)):
            if ends[b + 1] - ends[b] >= FEWEST:
                out[band, b] = low_quantile(sorted_by_bin[ends[b] : ends[b + 1]]) / LOWEST_OF_MEAN[band]
    return out


def low_quantile(values: F32) -> np.float32:
    """The quantile `LOWEST` of (n,), n > 1, as NumPy has it, bit for bit, in half the time: it sorts less."""
    at = (len(values) - 1) * LOWEST
    k = int(at)
    low, high = np.partition(values, (k, k + 1))[k : k + 2]
    share = at - k
    if share >= 0.5:
        return np.float32(high - (high - low) * np.float32(1 - share))
    return np.float32(low + (high - low) * np.float32(share))


def estimate(lowest: Sequence[NDArray[np.float64]], *, bits: int, sigma: float | None = None) -> Noise:
    """Estimate the stack's noise from what its frames suggest.

    Parameters
    ----------
    lowest
        One array (3, 8) for each frame, from `lowest_cells`.
    bits
        8 or 16, depth of the frames' samples.
    sigma
        Standard deviation to use instead, with white at 1.
    """
    if sigma is not None:
        return Noise(variance=np.full(len(CENTRES), max(sigma**2, FLOOR[16])), bands=np.ones(3))
    told = np.stack(lowest)
    floor = FLOOR[bits]
    known = np.isfinite(told[:, 0]).any(axis=0)
    if not known.any():
        return Noise(variance=np.full(len(CENTRES), floor), bands=np.ones(3))
    energy = np.nanquantile(told[:, :, known], AMONG_FRAMES, axis=0)
    # texture that stays in every frame must not pass for noise: it fills the coarser bands first
    energy = np.minimum(energy, COARSEST[:, None] * WHITE[:, None] * energy[0] / WHITE[0])
    variance = np.maximum(energy[:2].sum(axis=0) / WHITE[:2].sum(), floor)
    bands = np.clip(np.median(energy / (WHITE[:, None] * variance), axis=1), 0.3, 4.0)
    every = np.interp(CENTRES, CENTRES[known], variance)
    return Noise(variance=_smooth(every), bands=bands)


def _smooth(variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Geometric mean with the neighbouring bins, so that a single odd bin does not stand out."""
    log = np.log(np.pad(variance, 1, mode="edge"))
    return np.exp(0.25 * log[:-2] + 0.5 * log[1:-1] + 0.25 * log[2:])
