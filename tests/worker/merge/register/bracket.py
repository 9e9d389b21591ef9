"""Small brackets with true poses: two layers of texture before a slanted ground, blurred by disks, moved exactly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tests.worker.merge.register.views import View, views_of

MARGIN = 48
Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Bracket:
    """``frames`` (n, h, w, 3) samples, ``poses`` (n, 2, 3) from the middle frame's pixels, ``gains`` (n,) EV of mean 0."""

    frames: list[NDArray[np.integer]]
    poses: Floats
    gains: Floats
    noise: float

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        return self.frames[0].shape[1], self.frames[0].shape[0]

    def views(self, *, first: int = 0) -> list[View]:
        """The frames as surveyed."""
        return views_of(self.frames, sigma=self.noise, first=first)


def encode(linear: Floats) -> Floats:
    """Linear light to sRGB (IEC 61966-2-1, constants from memory)."""
    v = np.clip(linear, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def texture(random: np.random.Generator, shape: tuple[int, int]) -> Floats:
    """Linear light (h, w, 3) with detail of all sizes, from .03 to .7."""
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None]
    fall = 1 / np.maximum(np.hypot(fy, fx), 0.02) ** 0.9
    grain = np.fft.irfft2(np.fft.rfft2(random.normal(size=shape)) * fall, s=shape)
    level = 0.25 * np.exp(0.55 * grain / grain.std())
    return np.clip(level, 0.03, 0.7)[..., None] * random.uniform(0.7, 1.0, 3)


def blobs(random: np.random.Generator, shape: tuple[int, int], share: float) -> Floats:
    """Soft-edged mask that covers a share of the picture in a few pieces."""
    field = ndimage.gaussian_filter(random.normal(size=shape), min(shape) / 14)
    return np.clip((field - np.quantile(field, 1 - share)) / field.std() * 30 + 0.5, 0, 1)


def disk(radius: float) -> NDArray[np.float32]:
    """Disk of a radius in pixels with soft rim, sum 1."""
    reach = int(np.ceil(radius)) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    kernel = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1)
    return (kernel / kernel.sum()).astype(np.float32)


def similarity(
    size: tuple[int, int], *, scale: float = 1.0, roll: float = 0.0, shift: tuple[float, float] = (0, 0)
) -> Floats:
    """(2, 3) that scales and turns about the middle, then shifts."""
    c = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    turn = scale * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    return np.hstack([turn, (c - turn @ c + np.array(shift))[:, None]])


def moved(canvas: NDArray[np.floating[Any]], pose: Floats, size: tuple[int, int]) -> Floats:
    """What a frame with ``pose`` sees of a canvas that is ``MARGIN`` wider all round (cubic spline, float64)."""
    turn = np.linalg.inv(pose[:, :2])
    back = np.hstack([turn, (-turn @ pose[:, 2])[:, None]])
    swapped = back[::-1, [1, 0]]
    planes = [
        ndimage.affine_transform(
            canvas[..., c], swapped, back[::-1, 2] + MARGIN, output_shape=size[::-1], order=3
        )
        for c in range(3)
    ]
    return np.stack(planes, axis=-1)


def make_bracket(
    *,
    frames: int = 6,
    size: tuple[int, int] = (480, 360),
    seed: int = 0,
    jitter: float = 1.0,
    roll: float = 0.0005,
    breathing: float = 0.002,
    noise: float = 0.004,
    flicker: float = 0.0,
    blur: float = 1.6,
    kind: type[np.unsignedinteger] = np.uint16,
) -> Bracket:
    """Render a bracket; ``blur`` is the growth of the blur radius from a frame to the next, px."""
    random = np.random.default_rng(seed)
    shape = size[1] + 2 * MARGIN, size[0] + 2 * MARGIN
    layers = [(texture(random, shape), np.ones(shape), (0.62, 1.0))]
    for depth, share in ((0.4, 0.3), (0.05, 0.25)):
        layers.append((texture(random, shape), blobs(random, shape, share), (depth, depth)))
    drawn = [_drawn(colour, alpha) for colour, alpha, _ in layers]
    last, out, poses = frames - 1, [], []
    gains = random.normal(size=frames) * flicker
    gains -= gains.mean()
    for k in range(frames):
        canvas = np.zeros((*shape, 3), np.float32)
        for layer, (_, _, depths) in zip(drawn, layers, strict=True):
            canvas = _over(canvas, layer, [abs(z * last - k) * blur for z in depths])
        step = k - frames // 2
        shift = (0.0, 0.0) if step == 0 else tuple(np.clip(random.normal(size=2), -2, 2) * jitter)
        turn = 0.0 if step == 0 else float(np.clip(random.normal(), -2, 2)) * roll
        poses.append(similarity(size, scale=1 + breathing * step / max(last, 1), roll=turn, shift=shift))
        seen = encode(moved(canvas, poses[-1], size) * 2 ** float(gains[k])) + random.normal(
            0, noise, (*size[::-1], 3)
        )
        top = np.iinfo(kind).max
        out.append(np.rint(np.clip(seen, 0, 1) * top).astype(kind))
    return Bracket(frames=out, poses=np.stack(poses), gains=gains, noise=noise)


def _drawn(colour: Floats, alpha: Floats) -> NDArray[np.float32]:
    """A layer's light and its mask, (h, w, 4)."""
    return np.dstack([colour * alpha[..., None], alpha]).astype(np.float32)


def _over(canvas: NDArray[np.float32], layer: NDArray[np.float32], radii: list[float]) -> NDArray[np.float32]:
    """Lay a layer over the canvas, blurred by a radius that runs from the left edge to the right one."""
    if radii[0] == radii[1]:
        return _laid(canvas, layer, radii[0], 0, canvas.shape[1])
    steps = np.linspace(radii[0], radii[1], 4)
    at = np.linspace(0, len(steps) - 1, canvas.shape[1])
    out = np.zeros_like(canvas)
    for number, radius in enumerate(steps):  # each where it has a share
        share = np.clip(1 - np.abs(at - number), 0, 1).astype(np.float32)
        first, last = np.flatnonzero(share)[[0, -1]]
        columns = slice(first, last + 1)
        out[:, columns] += share[columns, None] * _laid(canvas, layer, radius, first, last + 1)
    return out


def _laid(
    canvas: NDArray[np.float32], layer: NDArray[np.float32], radius: float, first: int, last: int
) -> NDArray[np.float32]:
    """Some columns of the canvas below a layer that is blurred by one radius."""
    kernel = disk(radius)
    start, stop = max(0, first - len(kernel)), min(canvas.shape[1], last + len(kernel))
    seen = cv2.filter2D(layer[:, start:stop], -1, kernel, borderType=cv2.BORDER_REFLECT)
    seen = seen[:, first - start : last - start]
    return np.asarray(canvas[:, first:last] * (1 - seen[..., 3:]) + seen[..., :3])
