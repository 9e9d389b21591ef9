"""Surfaces seen through a thin lens: blurred by depth, laid over each other far to near.

A surface is cut into depth slices with overlapping (tent) weights. Each slice is blurred by its own disk; the
sum is divided by the equally blurred weights, so a continuous surface shows no crack between slices. An object
is blurred with its own colour and coverage and spreads over what is behind it, and what is behind goes on there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tests.scenes.disk import Transforms
from tests.scenes.light import Floats
from tests.scenes.resample import by_field

SLICE = 0.6
ROWS = 24
POINT = 0.5
"""Sigma in pixels of what lens and sensor leave of a point in focus; without it no frame could be resampled."""


@dataclass(frozen=True, kw_only=True)
class Lens:
    """``aperture``: pixels of blur radius per frame of defocus; ``most``: largest radius (it saturates).

    ``rail``: distance between frames over the distance of the plane in focus where the camera itself moves.
    """

    aperture: float
    most: float
    rail: float = 0.0

    def radius(self, depth: float, frame: float) -> float:
        return min(abs(depth - frame) * self.aperture, self.most)


@dataclass(frozen=True, kw_only=True)
class Surface:
    """Linear colour (h, w, 3), coverage (h, w) and depth (h, w) in frame numbers, placed at (x, y).

    ``sway``: (n, 2) shift in pixels for each frame, for things that move.
    """

    colour: Floats
    alpha: Floats
    depth: Floats
    at: tuple[int, int] = (0, 0)
    sway: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class _Slices:
    depths: tuple[float, ...]
    spectra: NDArray[np.complex64]  # (slices, channels, H, W/2+1)
    shape: tuple[int, int]
    at: tuple[int, int]
    opaque: bool
    single: bool
    deep: Floats | None = None  # (H, W) depth, where it is not the same everywhere


@dataclass
class Stage:
    """All surfaces of a scene, far to near, on a canvas of (height, width)."""

    surfaces: Sequence[Surface]
    lens: Lens
    canvas: tuple[int, int]
    centre: tuple[float, float]
    reference: int
    transforms: Transforms = field(default_factory=Transforms)
    _sliced: dict[int, _Slices] = field(default_factory=dict)

    def still(self) -> tuple[Floats, Floats]:
        """What an endless depth of field would show: linear colour and depth of the front surface."""
        out = np.zeros((*self.canvas, 3), np.float32)
        depth = np.zeros(self.canvas, np.float32)
        for s in self.surfaces:
            inner, outer = overlap(s.at, s.alpha.shape, self.canvas)
            if s.sway is not None and abs(s.sway[self.reference]).any():
                raise ValueError("a moving surface must rest in the reference frame")
            a = s.alpha[inner][..., None]
            out[outer] = out[outer] * (1 - a) + s.colour[inner] * a
            depth[outer] = np.where(a[..., 0] > 0.5, s.depth[inner], depth[outer])
        return _by_lens(out), depth

    def frame(self, k: int) -> Floats:
        """Linear picture of frame ``k`` in the reference frame's geometry (with a rail: in its own)."""
        out = np.zeros((*self.canvas, 3), np.float32)
        for number, surface in enumerate(self.surfaces):
            if self.lens.rail:
                sliced = self._slice(_seen_from(surface, self, k))
            else:
                if number not in self._sliced:
                    self._sliced[number] = self._slice(surface)
                sliced = self._sliced[number]
            colour, alpha = self._blur(sliced, k, surface.sway)
            inner, outer = overlap(sliced.at, alpha.shape, self.canvas)
            a = alpha[inner]
            out[outer] = out[outer] * (1 - a[..., None]) + colour[inner]
        return _by_lens(out)

    def prepare(self) -> None:
        """Slice all surfaces now, so that several threads may ask for frames."""
        if not self.lens.rail:
            for number, surface in enumerate(self.surfaces):
                self._sliced.setdefault(number, self._slice(surface))

    def _slice(self, s: Surface) -> _Slices:
        opaque = _fills(s, self.canvas)
        pad = int(np.ceil(self.lens.most)) + 2
        shape = s.alpha.shape[0] + 2 * pad, s.alpha.shape[1] + 2 * pad
        fft = (scipy.fft.next_fast_len(shape[0], real=True), scipy.fft.next_fast_len(shape[1], real=True))
        seen = s.depth[s.alpha > 0] if not opaque else s.depth
        low, high = float(seen.min()), float(seen.max())
        count = max(1, int(np.ceil((high - low) * self.lens.aperture / SLICE)) + 1)
        single = count == 1 or high - low < 1e-6
        depths = ((low + high) / 2,) if single else tuple(np.linspace(low, high, count))
        rgba = np.concatenate([s.colour * s.alpha[..., None], s.alpha[..., None]], -1).transpose(2, 0, 1)
        around = ((pad, fft[0] - shape[0] + pad), (pad, fft[1] - shape[1] + pad))
        rgba = np.pad(rgba, ((0, 0), *around))
        mask = opaque_mask = np.pad(np.ones(s.alpha.shape, np.float32), around)
        deep = np.pad(s.depth, around, mode="edge").clip(low, high)
        if not opaque:
            mask = np.ones(fft, np.float32)
            opaque_mask = mask
        parts = []
        for d in depths:
            w = (
                opaque_mask
                if single
                else mask * np.clip(1 - np.abs(deep - d) / (depths[1] - depths[0]), 0, 1)
            )
            planes = rgba * w if not single else rgba
            if not single and not opaque:
                planes = np.concatenate([planes, w[None]])
            parts.append(scipy.fft.rfft2(planes.astype(np.float32), workers=2))
        at = s.at[0] - pad, s.at[1] - pad
        return _Slices(
            depths, np.stack(parts), fft, at, opaque, single, None if single else deep.astype(np.float32)
        )

    def _blur(self, q: _Slices, k: int, sway: NDArray[np.float64] | None) -> tuple[Floats, Floats]:
        transfer = [self.transforms.of(q.shape, self.lens.radius(d, k)) for d in q.depths]
        total = np.empty(q.spectra.shape[1:], np.complex64)
        for top in range(0, q.spectra.shape[2], ROWS):
            rows = slice(top, top + ROWS)
            part = q.spectra[0][:, rows] * transfer[0][rows]
            for spectrum, t in zip(q.spectra[1:], transfer[1:], strict=True):
                part += spectrum[:, rows] * t[rows]
            total[:, rows] = part
        if sway is not None:
            total *= _shifted(q.shape, sway[k])
        planes = scipy.fft.irfft2(total, s=q.shape)
        if q.opaque or not q.single:
            planes[:-1] /= np.maximum(planes[-1], 1e-4)
        if q.deep is not None:
            planes = _leaned(planes, q.deep, self.lens, k)
        if q.opaque:
            return planes[:3].transpose(1, 2, 0), (planes[3] > 1e-3).astype(np.float32)
        return np.clip(planes[:3], 0, None).transpose(1, 2, 0), np.clip(planes[3], 0, 1)


def _leaned(planes: Floats, deep: Floats, lens: Lens, k: int) -> Floats:
    """Move (c, H, W) by -R grad R / 4, where R is the blur radius: what tilted surfaces are short of so far.

    A ray through place a of the lens (unit disk) meets the surface where y = x + a R(y), so a pixel sees on average
    x + R grad R / 4. Disks that spread from each place of the surface, divided by what they cover, give twice that.
    Resampled exactly: places rounded to 1/32 px would shift every frame against the next by .003 px, all one way.
    """
    soft = cv2.GaussianBlur(deep, (0, 0), 2.0)
    radius = lens.aperture * (soft - k)
    radius[np.abs(radius) >= lens.most] = 0
    lean = [np.clip(radius * lens.aperture * np.gradient(soft, axis=axis) / 4, -1.5, 1.5) for axis in (1, 0)]
    if max(float(np.abs(part).max()) for part in lean) < 0.02:
        return planes
    return np.ascontiguousarray(by_field(planes.transpose(1, 2, 0), -lean[0], -lean[1]).transpose(2, 0, 1))


def _fills(s: Surface, canvas: tuple[int, int]) -> bool:
    """Whether the surface covers the whole canvas, so that it goes on beyond what is drawn."""
    return s.at == (0, 0) and s.alpha.shape == canvas and bool(s.alpha.min() > 0.999)


def _by_lens(linear: Floats) -> Floats:
    at = np.arange(-3, 4)
    tap = np.exp(-at * at / (2 * POINT * POINT))
    tap = (tap / tap.sum()).astype(np.float32)
    return cv2.sepFilter2D(linear, -1, tap, tap, borderType=cv2.BORDER_REFLECT_101)


def _shifted(shape: tuple[int, int], by: NDArray[np.float64]) -> NDArray[np.complex64]:
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None]
    return np.asarray(np.exp(-2j * np.pi * (fx * by[0] + fy * by[1])), np.complex64)


def overlap(
    at: tuple[int, int], shape: tuple[int, ...], canvas: tuple[int, int]
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Slices of a surface's own grid and of the canvas where both are."""
    x, y = at
    top, left = max(0, y), max(0, x)
    bottom, right = min(canvas[0], y + shape[0]), min(canvas[1], x + shape[1])
    bottom, right = max(top, bottom), max(left, right)
    return (
        (slice(top - y, bottom - y), slice(left - x, right - x)),
        (slice(top, bottom), slice(left, right)),
    )


def _seen_from(s: Surface, stage: Stage, k: int) -> Surface:
    """The surface as the camera sees it from its place on the rail at frame ``k``.

    In frame k depth d is 1 + (d - k) e times as far away as the plane in focus, so its magnification against
    the reference frame is (1 + (d - ref) e) / (1 + (d - k) e).
    """
    e = stage.lens.rail
    y, x = np.mgrid[: s.alpha.shape[0], : s.alpha.shape[1]].astype(np.float64)
    x += s.at[0] - stage.centre[0]
    y += s.at[1] - stage.centre[1]
    shrink = (1 + (s.depth - k) * e) / (1 + (s.depth - stage.reference) * e) - 1
    planes = np.concatenate([s.colour * s.alpha[..., None], s.alpha[..., None], s.depth[..., None]], -1)
    moved = by_field(planes.astype(np.float32), x * shrink, y * shrink)
    alpha = np.clip(moved[..., 3], 0, 1)
    alpha[alpha < 2e-3] = 0
    if _fills(s, stage.canvas):
        alpha[:] = 1
    colour = np.clip(moved[..., :3] / np.maximum(alpha, 1e-3)[..., None], 0, 1)
    return Surface(
        colour=colour.astype(np.float32),
        alpha=alpha.astype(np.float32),
        depth=moved[..., 4].clip(s.depth.min(), s.depth.max()),
        at=s.at,
    )
