"""Correction of a frame by dark and flat frames as it is decoded: dark subtracted and flat divided out, in linear light.

Camera raw frames are corrected on the sensor's mosaic, before interpolation, so that a warm pixel does not spread; other
frames after their profile's curve is undone. A sample at full scale stays there, since the true value of what was too bright
for the sensor is not known.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.colour import light_table

F32 = NDArray[np.float32]
Samples = NDArray[Any]  # uint8 or uint16
ROWS = 16
"""Rows that are corrected at a time, few so that temporary arrays stay small."""
FINE = 1 << 18
"""Entries of the encoding table over the square root of light; finer than 16-bit steps for all usual curves."""


@dataclass(frozen=True, kw_only=True)
class Correction:
    """How a frame is corrected. Planes are (h, w, channels) float32 in files; light is 0..1 of full scale."""

    key: str
    """Key of the planes, from the contents of the dark and flat frames."""
    size: tuple[int, int]
    """Width and height of the planes: of the mosaic as it lies on the sensor, else of the upright picture."""
    channels: int
    """1 on a mosaic, else 3."""
    dark: Path | None = None
    """File with the light of the dark frames."""
    gain: Path | None = None
    """File with the factors that even out a flat frame."""

    def planes(self, top: int, rows: int) -> tuple[F32 | None, F32 | None]:
        """Dark and gain of some rows, (rows, w, channels) each; None if there is none."""
        return self._read(self.dark, top, rows), self._read(self.gain, top, rows)

    def _read(self, path: Path | None, top: int, rows: int) -> F32 | None:
        if path is None:
            return None
        width = self.size[0] * self.channels
        found = np.fromfile(path, np.float32, rows * width, offset=top * width * 4)
        if found.size != rows * width:
            raise WorkFailed(f"{path}: found {found.size} values; expected {rows * width}. Run again")
        return found.reshape(rows, self.size[0], self.channels)


def corrected_light(light: F32, dark: F32 | None, gain: F32 | None) -> F32:
    """(light - dark) * gain, not below 0 nor above 1."""
    out = light if dark is None else light - dark
    out = out if gain is None else out * gain
    return np.asarray(np.clip(out, 0.0, 1.0), np.float32)


def _pieces(top: int, bottom: int) -> Iterator[tuple[int, int]]:
    return ((y, min(y + ROWS, bottom)) for y in range(top, bottom, ROWS))


def correct_rows(correction: Correction, samples: Samples, top: int, icc: bytes | None) -> Samples:
    """Upright rows of a frame that is no raw one, from row ``top`` of the picture on, corrected.

    Parameters
    ----------
    samples
        (rows, w, 3) uint8 or uint16; written to if they can be.

    Returns
    -------
    The same array, or a copy of one that is read-only.
    """
    out = samples if samples.flags.writeable else samples.copy()
    bits = 8 * out.dtype.itemsize
    full = (1 << bits) - 1
    table, encode = light_table(icc, bits), _encoder(icc, bits)
    for first, last in _pieces(0, len(out)):
        part = out[first:last]
        light = corrected_light(table[part], *correction.planes(top + first, last - first))
        place = (np.sqrt(light) * np.float32(FINE - 1) + np.float32(0.5)).astype(np.int32)
        part[...] = np.where(part == full, part, np.take(encode, place))
    return out


@functools.lru_cache(maxsize=4)
def _encoder(icc: bytes | None, bits: int) -> NDArray[Any]:
    """Sample value of light, by its square root in `FINE` steps."""
    table = light_table(icc, bits).astype(np.float64)
    light = (np.arange(FINE) / (FINE - 1)) ** 2
    values = np.interp(light, table, np.arange(table.size))
    return np.floor(values + 0.5).astype(np.dtype(f"u{bits // 8}"))


def correct_mosaic(correction: Correction, mosaic: NDArray[np.uint16], black: F32, white: float) -> None:
    """Correct a sensor's values in place.

    Parameters
    ----------
    mosaic
        (h, w), as they lie on the sensor.
    black
        (h, w) or what broadcasts to it: value of each place without light.
    white
        Value of full scale.
    """
    for first, last in _pieces(0, len(mosaic)):
        part = mosaic[first:last].astype(np.float32)
        low = black[first:last]
        dark, gain = (
            None if plane is None else plane[:, :, 0] for plane in correction.planes(first, last - first)
        )
        light = corrected_light(mosaic_light(part, low, white), dark, gain)
        found = np.where(part >= white, part, np.floor(light * (white - low) + low + np.float32(0.5)))
        mosaic[first:last] = found.astype(np.uint16)


def mosaic_light(values: F32, black: F32, white: float) -> F32:
    """Light of a sensor's values, 1 at full scale; below 0 if noise has them below black."""
    return np.asarray((values - black) / (np.float32(white) - black), np.float32)
