"""Small brackets with true poses: two layers of texture before a slanted ground, blurred by disks, moved exactly."""

from __future__ import annotations

from dataclasses import dataclass

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


def moved(canvas: Floats, pose: Floats, size: tuple[int, int]) -> Floats:
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
    last, out, poses = frames - 1, [], []
    gains = random.normal(size=frames) * flicker
    gains -= gains.mean()
    for k in range(frames):
        canvas = np.zeros((*shape, 3))
        for colour, alpha, (left, right) in layers:
            canvas = _over(canvas, colour, alpha, [abs(z * last - k) * blur for z in (left, right)])
        step = k - frames // 2
        shift = (0.0, 0.0) if step == 0 else tuple(np.clip(random.normal(size=2), -2, 2) * jitter)
        turn = 0.0 if step == 0 else float(np.clip(random.normal(), -2, 2)) * roll
        poses.append(similarity(size, scale=1 + breathing * step / max(last, 1), roll=turn, shift=shift))
        seen = encode(moved(canvas, poses[-1], size) * 2 ** gains[k]) + random.normal(
            0, noise, (*size[::-1], 3)
        )
        top = np.iinfo(kind).max
        out.append(np.rint(np.clip(seen, 0, 1) * top).astype(kind))
    return Bracket(frames=out, poses=np.stack(poses), gains=gains, noise=noise)


def _over(canvas: Floats, colour: Floats, alpha: Floats, radii: list[float]) -> Floats:
    """Lay a layer over the canvas, blurred by a radius that runs from the left edge to the right one."""
    parts = []
    for radius in np.linspace(radii[0], radii[1], 1 if radii[0] == radii[1] else 4):
        veil = cv2.filter2D(alpha, -1, disk(radius), borderType=cv2.BORDER_REFLECT)
        light = cv2.filter2D(colour * alpha[..., None], -1, disk(radius), borderType=cv2.BORDER_REFLECT)
        parts.append(canvas * (1 - veil[..., None]) + light)
    if len(parts) == 1:
        return parts[0]
    at = np.linspace(0, len(parts) - 1, canvas.shape[1])
    low = np.minimum(at.astype(int), len(parts) - 2)
    stack = np.stack(parts)
    columns = np.arange(canvas.shape[1])
    share = (at - low)[None, :, None]
    first, second = (np.swapaxes(stack[low + t, :, columns], 0, 1) for t in (0, 1))
    return np.asarray(first * (1 - share) + second * share)
