"""Surveyed frames made in memory from arrays, and the error of a registration against true poses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.register import Registration

LUMA = np.array([0.299, 0.587, 0.114], np.float32)
FIVE = (1, 4, 6, 4, 1)


def srgb_table(bits: int) -> NDArray[np.float32]:
    """Encoded sample to linear light: the sRGB curve of IEC 61966-2-1 (constants from memory)."""
    v = np.arange(1 << bits) / ((1 << bits) - 1)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def block_mean(a: NDArray[np.float32], n: int) -> NDArray[np.float32]:
    """Mean of n x n pixels; what does not fill a block is left out."""
    h, w = a.shape[0] // n, a.shape[1] // n
    return a[: h * n, : w * n].reshape(h, n, w, n).mean((1, 3)).astype(np.float32)


def smoothed(a: NDArray[np.float32]) -> NDArray[np.float32]:
    """[1 4 6 4 1]/16 both ways, edges mirrored."""
    taps = np.array(FIVE, np.float32) / 16
    return np.asarray(cv2.sepFilter2D(a, cv2.CV_32F, taps, taps, borderType=cv2.BORDER_REFLECT), np.float32)


def band_energy(y: NDArray[np.float32]) -> NDArray[np.float32]:
    """(3, Hc, Wc) mean squared Laplacian band per cell of 16 pixels; incomplete cells take the mean of what they have."""
    out = []
    hc, wc = -(-y.shape[0] // 16), -(-y.shape[1] // 16)
    for level in range(3):
        band = (y - smoothed(y)) ** 2
        side = 16 >> level
        full = np.pad(band, [(0, hc * side - band.shape[0]), (0, wc * side - band.shape[1])], mode="edge")
        out.append(block_mean(full, side))
        y = np.pad(y, [(0, y.shape[0] % 2), (0, y.shape[1] % 2)], mode="edge")
        y = block_mean(y, 2)
    return np.stack(out)


@dataclass(kw_only=True)
class View:
    """A frame as the survey leaves it."""

    name: str
    number: int
    small: NDArray[np.float32]
    energy: NDArray[np.float32]
    noise: tuple[float, float, float]
    pixels: Pixels
    light: NDArray[np.float32]


def noise_left(sigma: float) -> tuple[float, float, float]:
    """Variance that white noise of ``sigma`` per channel leaves in the three bands of luma."""
    variance = sigma**2 * float((LUMA**2).sum())
    taps = np.outer(FIVE, FIVE) / 256
    own = taps.copy()
    own[2, 2] -= 1
    band = float((own**2).sum())
    halved = 0.25
    return (variance * band, variance * halved * band, variance * halved**2 * band)


def sum_of(rgb: NDArray[np.float32]) -> NDArray[np.float32]:
    """Luma of (h, w, 3)."""
    return np.asarray(LUMA[0] * rgb[..., 0] + LUMA[1] * rgb[..., 1] + LUMA[2] * rgb[..., 2], np.float32)


def view_of(samples: NDArray[np.integer], *, name: str, number: int, sigma: float = 0.002) -> View:
    """Survey one (h, w, 3) array of uint8 or uint16 samples."""
    bits = 8 * samples.itemsize
    table = srgb_table(bits)
    linear = sum_of(table[samples])
    encoded = sum_of(samples.astype(np.float32)) / np.float32((1 << bits) - 1)
    return View(
        name=name,
        number=number,
        small=block_mean(linear, 4),
        energy=band_energy(encoded),
        noise=noise_left(sigma),
        pixels=Pixels(samples=samples, table=table),
        light=table,
    )


def views_of(frames: Sequence[NDArray[np.integer]], *, sigma: float = 0.002, first: int = 0) -> list[View]:
    """Survey a stack; numbers count from ``first``."""
    return [view_of(f, name=f"F{k + 1:04d}", number=first + k, sigma=sigma) for k, f in enumerate(frames)]


def sequence(views: Sequence[View]) -> list[View]:
    """The same surveys, named and numbered in this order."""
    return [replace(v, name=f"F{k + 1:04d}", number=k) for k, v in enumerate(views)]


def compose(outer: NDArray[np.float64], inner: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2, 3) matrix of ``inner``, then ``outer``."""
    a, b = (np.vstack([m, [0, 0, 1]]) for m in (outer, inner))
    return (a @ b)[:2]


def inverse(m: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2, 3) matrix of the way back."""
    return np.linalg.inv(np.vstack([m, [0, 0, 1]]))[:2]


def pose_error(found: NDArray[np.float64], true: NDArray[np.float64], size: tuple[int, int]) -> float:
    """Root mean square over the picture, in pixels, of where two poses differ."""
    w, h = size
    d = np.asarray(found) - np.asarray(true)
    middle = d @ np.array([(w - 1) / 2, (h - 1) / 2, 1])
    spread = (d[:, 0] ** 2).sum() * (w * w - 1) / 12 + (d[:, 1] ** 2).sum() * (h * h - 1) / 12
    return float(np.sqrt((middle**2).sum() + spread))


def errors(result: Registration, true: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float64]:
    """Error of each frame's pose against truth, both taken from the reference; nan where a frame is left out."""
    back = inverse(true[result.reference])
    return np.array(
        [
            pose_error(f.pose, compose(true[k], back), size) if f.pose is not None else np.nan
            for k, f in enumerate(result.frames)
        ]
    )
