"""Small brackets of flat and slanted surfaces, and their surveys, for tests of focus, noise and gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import FocusMap, FocusWriter, find_focus
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.kernel import picture_calls, twin_survey
from nearfar.merge.noise import Noise, estimate, lowest_cells
from nearfar.merge.recipe import FocusRecipe

AT_REST = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
CURVE = (np.linspace(0, 1, picture_calls.CURVE_STEPS + 1) ** 2.2).astype(np.float32)


def texture(
    rng: np.random.Generator, size: tuple[int, int], *, contrast: float = 0.12, middle: float = 0.5
) -> NDArray[np.float64]:
    """Colour texture (h, w, 3) with detail of all sizes: noise whose amplitude falls with frequency."""
    w, h = size
    fy, fx = np.meshgrid(np.fft.fftfreq(h), np.fft.rfftfreq(w), indexing="ij")
    amplitude = 1 / np.maximum(np.hypot(fy, fx), 1 / max(w, h))
    grain = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(h, w))) * amplitude, s=(h, w))
    tint = 1 + 0.1 * rng.normal(size=3)
    return middle + contrast * (grain / grain.std())[..., None] * tint


STEPS = np.concatenate([[0.0], 0.5 * 1.45 ** np.arange(9)])
"""Sigmas in pixels of the blurs that others are mixed from; about 10 is the largest."""


def blurs(sharp: NDArray[np.float64]) -> NDArray[np.float32]:
    """A picture (h, w, 3) under each blur of `STEPS`: (10, h, w, 3)."""
    first = sharp.astype(np.float32)
    return np.stack([first if s == 0 else cv2.GaussianBlur(first, (0, 0), s) for s in STEPS])


def defocused(layers: NDArray[np.float32], radius: NDArray[np.float64]) -> NDArray[np.float32]:
    """`blurs` mixed so that sigma (h, w) differs from place to place."""
    at = np.interp(radius, STEPS, np.arange(len(STEPS))).astype(np.float32)
    low = np.minimum(at.astype(int), len(STEPS) - 2)
    y, x = np.indices(radius.shape)
    part = (at - low.astype(np.float32))[..., None]
    return layers[low, y, x] * (1 - part) + layers[low + 1, y, x] * part


def encoded(
    values: NDArray[Any], rng: np.random.Generator, noise: float, dtype: Any = np.uint16
) -> NDArray[Any]:
    """Values 0..1 with white noise of that sigma, as samples."""
    top = int(np.iinfo(dtype).max)
    grain = rng.standard_normal(values.shape, np.float32) * np.float32(noise)
    return np.round(np.clip(values + grain, 0, 1) * top).astype(dtype)


def bracket(
    rng: np.random.Generator,
    sharp: NDArray[np.float64],
    depth: NDArray[np.float64],
    frames: Sequence[float],
    *,
    blur: float = 1.5,
    noise: float = 0.004,
    dtype: Any = np.uint16,
) -> list[NDArray[Any]]:
    """Frames focused at the given depths; a place is blurred by ``blur`` px sigma per unit of distance to it."""
    layers = blurs(sharp)
    return [encoded(defocused(layers, blur * np.abs(depth - at)), rng, noise, dtype) for at in frames]


def surveyed(samples: NDArray[Any]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Energies and mean luma of one frame."""
    energy, mean, _ = twin_survey.measure(samples, CURVE)
    return energy, mean


@dataclass(frozen=True, kw_only=True)
class Found:
    """What the focus step made of a bracket."""

    found: FocusMap
    prior: NDArray[np.uint16]
    admitted: NDArray[np.uint8]
    noise: Noise
    ticks: float


def small_of(picture: NDArray[Any]) -> NDArray[np.float32]:
    """Linear luma of an encoded picture, means of 4 x 4 pixels; what is beyond the last of these is left out."""
    h, w = (n // 4 * 4 for n in picture.shape[:2])
    light = (picture[:h, :w] / np.iinfo(picture.dtype).max) ** 2.2 @ np.array([0.299, 0.587, 0.114])
    return np.asarray(light.reshape(h // 4, 4, w // 4, 4).mean(axis=(1, 3)), np.float32)


def focused(
    pictures: Sequence[NDArray[Any]],
    *,
    poses: Sequence[NDArray[np.float64]] | None = None,
    gains: Sequence[float] | None = None,
    recipe: FocusRecipe | None = None,
    threads: int = 1,
    sigma: float | None = None,
) -> Found:
    """Survey a bracket, estimate its noise, and find its focus."""
    surveys = [surveyed(p) for p in pictures]
    noise = estimate([lowest_cells(e, m) for e, m in surveys], bits=8 * pictures[0].itemsize, sigma=sigma)
    n = len(pictures)
    height, width, _ = pictures[0].shape
    rows, cols = picture_calls.grid_shape(width, height)
    prior = np.full((rows, n, cols), 65535, np.uint16)
    admitted = np.full((rows, n, cols), 255, np.uint8)
    views = [
        FocusFrame(
            read=lambda k=k: surveys[k],  # type: ignore[misc]
            pose=AT_REST if poses is None else poses[k],
            gain_ev=0.0 if gains is None else gains[k],
        )
        for k in range(n)
    ]
    ticks: list[float] = []
    found = find_focus(
        views,
        size=(width, height),
        noise=noise,
        recipe=recipe or FocusRecipe(),
        writer=FocusWriter(prior, admitted),
        threads=threads,
        tick=ticks.append,
        small=[lambda p=p: small_of(p) for p in pictures],  # type: ignore[misc]
    )
    return Found(found=found, prior=prior, admitted=admitted, noise=noise, ticks=sum(ticks))


def ramp(size: tuple[int, int], low: float, high: float) -> NDArray[np.float64]:
    """Depth (h, w) that grows from left to right."""
    return np.broadcast_to(np.linspace(low, high, size[0])[None], (size[1], size[0]))


def cells(plane: NDArray[Any]) -> NDArray[np.float64]:
    """Mean over cells (R, C) of a plane (h, w) whose sides are multiples of 16."""
    h, w = plane.shape
    return np.asarray(plane.reshape(h // 16, 16, w // 16, 16).mean(axis=(1, 3)))
