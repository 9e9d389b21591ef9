"""What the engine knows of a stack before it chooses, in PyTorch: planes, energies of cells, prior and admission.

Batches of B brackets with n frames; (B, n, h, w) are half-size planes. `nearfar.merge.chooser.planes` is the same for one
window in NumPy, and the tests compare the two.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from nearfar.merge.chooser.numbers import BAND0, BAND1, CHANNEL, HALF_CHANNEL

BAND2 = 0.0045
"""As BAND0 and BAND1, in the third band: twice smoothed half-size luma, less itself smoothed with twice the spacing."""
LUMA = (0.299, 0.587, 0.114)


@dataclass(frozen=True, kw_only=True)
class Planes:
    """``colour`` (B, n, 3, H, W), ``fine`` (B, n, H, W), the rest at half size; ``variance`` (B, 1, h, w)."""

    colour: Tensor
    fine: Tensor
    half_colour: Tensor
    half_luma: Tensor
    square: Tensor
    second: Tensor
    third: Tensor
    variance: Tensor


def b5(x: Tensor, dilation: int = 1) -> Tensor:
    """[1 4 6 4 1] / 16 along both axes, with so many places between the taps; the edge is repeated."""
    flat = x.reshape(-1, 1, *x.shape[-2:])
    tap = torch.tensor([1, 4, 6, 4, 1], device=x.device, dtype=x.dtype) / 16
    r = 2 * dilation
    flat = functional.pad(flat, (r, r, r, r), mode="replicate")
    flat = functional.conv2d(flat, tap.view(1, 1, 5, 1), dilation=(dilation, 1))
    return functional.conv2d(flat, tap.view(1, 1, 1, 5), dilation=(1, dilation)).reshape(x.shape)


def softened(x: Tensor) -> Tensor:
    flat = functional.pad(x.reshape(-1, 1, *x.shape[-2:]), (1, 1, 1, 1), mode="replicate")
    tap = torch.tensor([0.15, 0.7, 0.15], device=x.device)
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
    smooth = b5(half_luma)
    band1, band2 = half_luma - smooth, smooth - b5(smooth, 2)
    return Planes(
        colour=frames,
        fine=fine,
        half_colour=halved(frames),
        half_luma=half_luma,
        square=halved(fine * fine),
        second=softened(band1 * band1),
        third=b5(band2 * band2),
        variance=variance[:, None],
    )


def noise_of(variance: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    """What noise leaves in the three bands, a channel, and a channel at half size."""
    return tuple(variance * c for c in (BAND0, BAND1, BAND2, CHANNEL, HALF_CHANNEL))


def _blurred_cells(x: Tensor, sigma: float) -> Tensor:
    r = int(3 * sigma + 0.5)
    at = torch.arange(-r, r + 1, device=x.device, dtype=x.dtype)
    tap = torch.exp(-at * at / (2 * sigma * sigma))
    tap = tap / tap.sum()
    flat = functional.pad(x.reshape(-1, 1, *x.shape[-2:]), (r, r, r, r), mode="replicate")
    flat = functional.conv2d(flat, tap.view(1, 1, -1, 1))
    return functional.conv2d(flat, tap.view(1, 1, 1, -1)).reshape(x.shape)


def _cells(x: Tensor) -> Tensor:
    return functional.avg_pool2d(x, 8)


def focus(p: Planes) -> tuple[Tensor, Tensor]:
    """Prior and admission (B, n, R, C) on cells of 8 half-size places: what `nearfar.merge.focus` finds, in short."""
    n0, n1, n2, _, _ = noise_of(p.variance)
    total = finest = torch.zeros_like(_cells(p.square))
    left = torch.ones_like(total[:, :1])
    for energy, noise in ((p.square, n0), (p.second, n1), (p.third, n2)):
        e = (_cells(energy) - 1.2 * _cells(noise)).clamp_min(0)
        most = e.amax(1, keepdim=True)
        snr = most / (most + 0.3 * _cells(noise) + 1e-20)
        share = e / most.clamp_min(1e-20) * snr
        total, finest, left = total + share, finest + share * left, left * (1 - snr)
    prior = total + 0.5 * _blurred_cells(total, 0.6) + 0.5 * _blurred_cells(total, 1.6)
    around = finest.clone()
    for sigma, weight in ((1.0, 0.25), (3.0, 0.05)):
        around = around + weight * _blurred_cells(finest, sigma)
    best = around.argmax(1, keepdim=True)
    top = finest.amax(1, keepdim=True)
    plain = top < 0.4
    number = torch.arange(prior.shape[1], device=prior.device).view(1, -1, 1, 1)
    chosen = ((finest >= 0.5 * top) & ~plain) | (number == best)
    grown = largest(chosen.float(), 3) > 0
    near = (number - best).abs() <= torch.where(plain, 2, 1)
    return prior, (grown | near).float()


def spread(cells: Tensor) -> Tensor:
    """Cells to half-size places, bilinearly."""
    return functional.interpolate(cells, scale_factor=8, mode="bilinear")
