"""Reduced pictures of a frame: what the coarse links, the likeness and the gains are measured on."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.blown import WHITE
from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.grid_calls import halve
from nearfar.merge.register.model import FrameView

SMALL = 4  # reduction of FrameView.small
_COARSEST = 16  # reduction of the most reduced picture of coarse links
_LEAST_SIDE = 96  # pixels of that picture's shorter side, at the least
_GAP_SIDE = 40  # the same where blur must hardly matter
_WIDE_ROWS = 0.2  # of the shorter side: sigma within which rows are made alike
_DARK_ROW = 1e-4  # linear light of a row below which it is not brightened further
_FAST_FACTORS = (2, 3, 5)  # lengths with these prime factors alone have fast transforms


@dataclass(frozen=True, kw_only=True)
class Reduced:
    """A frame's band-passed pictures, by reduction, and its linear light at the coarsest reduction."""

    bands: dict[int, NDArray[np.float32]]
    blown: dict[int, NDArray[np.bool_]]
    """Where light may be cut off, at the same reductions."""
    light: NDArray[np.float32]
    structure: float  # root mean square of the coarsest band
    _spectra: list[NDArray[np.complex64]] = field(default_factory=list)
    _lock: Lock = field(default_factory=Lock)

    def spectrum(self) -> NDArray[np.complex64]:
        """Spectrum of the light, computed when it is first needed."""
        with self._lock:
            if not self._spectra:
                self._spectra.append(_spectrum(self.light))
        return self._spectra[0]


def coarse_levels(size: tuple[int, int]) -> tuple[int, ...]:
    """Reductions for coarse links, coarsest first: (16, 8) from about 6 megapixels, (8, 4) at one, (1,) for tiny ones."""
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


def fast_length(n: int) -> int:
    """Largest length up to ``n`` with prime factors of 2, 3 and 5 only, whose Fourier transform is fast."""
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
    """Fourier transform of the square root of the light, so that highlights do not dominate, under a Hann window."""
    h, w = (fast_length(n) for n in light.shape)
    part = np.sqrt(np.maximum(light[:h, :w], 0))
    part = (part - part.mean()) * np.outer(np.hanning(h + 2)[1:-1], np.hanning(w + 2)[1:-1]).astype(
        np.float32
    )
    return np.asarray(np.fft.rfft2(part), np.complex64)


def even_rows(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """The light without what brightens or darkens whole rows, as lamps that pulse leave it with a rolling shutter."""
    rows = np.add.reduce(light.T.astype(np.float64), axis=0) / light.shape[1]
    sigma = _WIDE_ROWS * min(light.shape)
    reach = round(3 * sigma)
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    padded = np.pad(rows, reach, mode="symmetric")
    around = sum(tap * padded[k : k + len(rows)] for k, tap in enumerate(taps)) / taps.sum()
    return np.asarray(light * (around / np.maximum(rows, _DARK_ROW))[:, None], np.float32)


def small_light(frame: FrameView) -> NDArray[np.float32]:
    """A frame's small picture (h // 4, w // 4) as linear light, white being 1."""
    small = frame.small
    unit = np.float32(1 / 65535 if small.dtype == np.uint16 else 1)
    return np.ascontiguousarray(small.astype(np.float32) * unit)


def reduce_frame(frame: FrameView, levels: tuple[int, ...], *, even: bool = False) -> Reduced:
    """Read a frame's small picture (its full-size pixels if tiny) and reduce it to ``levels``; ``even``: without bands of
    rows that are brighter or darker.
    """
    finest = levels[-1]
    if finest < SMALL:
        light, at = kernel.luma(frame.pixels, finest), finest
    elif finest > SMALL:
        light, at = halve(frame.small), 2 * SMALL
    else:
        light, at = small_light(frame), SMALL
    light = even_rows(light) if even else light
    bands, blown = {}, {}
    while True:
        if at in levels:
            bands[at] = kernel.bandpass(light)
            blown[at] = light > WHITE
        if at >= levels[0]:
            break
        light, at = halve(light), 2 * at
    band = bands[levels[0]]
    structure = float(np.sqrt(np.mean(band * band, dtype=np.float64)))
    return Reduced(bands=bands, blown=blown, light=light, structure=structure)
