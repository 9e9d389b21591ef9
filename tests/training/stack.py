"""What the engine knows of a stack before it chooses, in PyTorch: planes, and values of cells at half size.

Batches of B brackets with n frames; (B, n, h, w) are half-size planes. `nearfar.merge.chooser.features` is the same for one
window in NumPy, and the tests compare the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import torch
from torch import Tensor
from torch.nn import functional

from nearfar.merge.chooser.numbers import BAND0, BAND1, HALF_CHANNEL

LUMA = (0.299, 0.587, 0.114)


@dataclass(frozen=True, kw_only=True)
class Planes:
    """``colour`` (B, n, 3, H, W), ``fine`` (B, n, H, W), the rest at half size; ``variance`` (B, 1, h, w).

    ``fine``, ``middle``: luma's two finest bands; ``square``, ``second``: their energies.
    """

    colour: Tensor
    fine: Tensor
    half_colour: Tensor
    half_luma: Tensor
    middle: Tensor
    square: Tensor
    second: Tensor
    variance: Tensor


@cache
def _taps(device: torch.device, dtype: torch.dtype, *taps: float) -> Tensor:
    """Taps on the device, made once: a step that is recorded may copy nothing to it."""
    return torch.tensor(taps, device=device, dtype=dtype)


def b5(x: Tensor) -> Tensor:
    """[1 4 6 4 1] / 16 along both axes; the edge is repeated."""
    flat = x.reshape(-1, 1, *x.shape[-2:])
    tap = _taps(x.device, x.dtype, 1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)
    flat = functional.pad(flat, (2, 2, 2, 2), mode="replicate")
    flat = functional.conv2d(flat, tap.view(1, 1, 5, 1))
    return functional.conv2d(flat, tap.view(1, 1, 1, 5)).reshape(x.shape)


def softened(x: Tensor) -> Tensor:
    flat = functional.pad(x.reshape(-1, 1, *x.shape[-2:]), (1, 1, 1, 1), mode="replicate")
    tap = _taps(x.device, x.dtype, 0.15, 0.7, 0.15)
    flat = functional.conv2d(flat, tap.view(1, 1, 3, 1))
    return functional.conv2d(flat, tap.view(1, 1, 1, 3)).reshape(x.shape)


def halved(x: Tensor) -> Tensor:
    return functional.avg_pool2d(x.reshape(-1, 1, *x.shape[-2:]), 2).reshape(
        *x.shape[:-2], x.shape[-2] // 2, x.shape[-1] // 2
    )


def doubled(x: Tensor) -> Tensor:
    """Half size to full: 3/4 of the place that a pixel lies in and 1/4 of the nearer neighbour, along each axis."""
    flat = functional.interpolate(x.reshape(-1, 1, *x.shape[-2:]), scale_factor=2, mode="bilinear")
    return flat.reshape(*x.shape[:-2], 2 * x.shape[-2], 2 * x.shape[-1])


def luma(x: Tensor) -> Tensor:
    return LUMA[0] * x[..., 0, :, :] + LUMA[1] * x[..., 1, :, :] + LUMA[2] * x[..., 2, :, :]


def largest(x: Tensor, size: int) -> Tensor:
    """Largest value within a square of ``size`` places."""
    return functional.max_pool2d(x.reshape(-1, 1, *x.shape[-2:]), size, 1, size // 2).reshape(x.shape)


def planes(frames: Tensor, variance: Tensor) -> Planes:
    """From frames (B, n, 3, H, W) in the picture's geometry and the variance (B, h, w) of one channel."""
    y = luma(frames)
    fine = y - b5(y)
    half_luma = halved(y)
    middle = half_luma - b5(half_luma)
    return Planes(
        colour=frames,
        fine=fine,
        half_colour=halved(frames),
        half_luma=half_luma,
        middle=middle,
        square=halved(fine * fine),
        second=softened(middle * middle),
        variance=variance[:, None],
    )


def noise_of(variance: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """What noise leaves in luma's two finest bands, and in a channel at half size."""
    return variance * BAND0, variance * BAND1, variance * HALF_CHANNEL


def spread(cells: Tensor) -> Tensor:
    """Cells to half-size places, bilinearly."""
    return functional.interpolate(cells, scale_factor=8, mode="bilinear")
