"""Reduced pictures of a frame: what the coarse links, the likeness and the gains are measured on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.register.model import FrameView

SMALL = 4  # reduction of FrameView.small
_COARSEST = 16
_LEAST_SIDE = 96
_GAP_SIDE = 40
_FAST_FACTORS = (2, 3, 5)


@dataclass(frozen=True, kw_only=True)
class Reduced:
    """Band-passed pictures by reduction, and at the coarsest reduction linear light and its spectrum."""

    bands: dict[int, NDArray[np.float32]]
    light: NDArray[np.float32]
    spectrum: NDArray[np.complex64]
    structure: float  # root mean square of the coarsest band


def coarse_levels(size: tuple[int, int]) -> tuple[int, ...]:
    """Reductions for the coarse links, coarsest first: (16, 8) from about 6 megapixels, (8, 4) at one, (1,) when tiny."""
    top = _COARSEST
    while top > 1 and min(size) / top < _LEAST_SIDE:
        top //= 2
    return (top, top // 2) if top > SMALL else (top,)


def gap_levels(size: tuple[int, int]) -> tuple[int, ...]:
    """Reductions at which frames on both sides of a missing slice still look alike, coarsest first."""
    top = 1
    while min(size) / (2 * top) >= _GAP_SIDE:
        top *= 2
    return (top, top // 2) if top > 1 else (top,)


def halve(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of 2 x 2 pixels; an odd last row or column is left out."""
    h, w = picture.shape[0] // 2 * 2, picture.shape[1] // 2 * 2
    rows = picture[0:h:2, :w] + picture[1:h:2, :w]
    return np.asarray(np.float32(0.25) * (rows[:, 0::2] + rows[:, 1::2]), np.float32)


def fast_length(n: int) -> int:
    """Largest length up to ``n`` whose transform is fast."""
    while n > 1:
        rest = n
        for factor in _FAST_FACTORS:
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            break
        n -= 1
    return n


def _spectrum(light: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Transform of the root of the light (so that highlights do not rule), under a Hann window."""
    h, w = (fast_length(n) for n in light.shape)
    part = np.sqrt(np.maximum(light[:h, :w], 0))
    part = (part - part.mean()) * np.outer(np.hanning(h + 2)[1:-1], np.hanning(w + 2)[1:-1]).astype(
        np.float32
    )
    return np.asarray(np.fft.rfft2(part), np.complex64)


def reduce_frame(frame: FrameView, levels: tuple[int, ...]) -> Reduced:
    """Read a frame's small picture (its full-size pixels if tiny) and reduce it to ``levels``."""
    finest = levels[-1]
    if finest < SMALL:
        picture, at = kernel.luma(frame.pixels, finest), finest
    else:
        picture, at = np.asarray(frame.small, np.float32), SMALL
    bands = {}
    while at <= levels[0]:
        if at in levels:
            bands[at] = kernel.bandpass(picture)
        if at < levels[0]:
            picture = halve(picture)
        at *= 2
    band = bands[levels[0]]
    structure = float(np.sqrt(np.mean(band * band, dtype=np.float64)))
    return Reduced(bands=bands, light=picture, spectrum=_spectrum(picture), structure=structure)
