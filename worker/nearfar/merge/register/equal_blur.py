"""Links over wide steps: place by place, each frame is blurred by as much as the other one is, so that both show the same.

In few frames with wide steps a thing that one frame has sharp is a wide disk in the next. Compared as they are, what is
near and blurred pulls at the link by a pixel and more. How deep places lie is known well enough from where each is sharpest;
how fast blur grows, from what makes the frames most alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.grid_calls import halve
from nearfar.merge.kernel.picture_calls import CELL, blur_grid
from nearfar.merge.register.coarse import CoarseLink, likeness, refine
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.pictures import SMALL, even_rows, gap_levels, small_light
from nearfar.merge.register.similarity import Similarity, centre_of, to_matrix

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

WIDE = 0.97
"""Likeness of neighbours below which blur is wide against what the frames show."""
GROWTHS = (0.0, 0.006, 0.009, 0.0135, 0.02, 0.03)
"""Sigmas by which blur may grow with each frame, over the shorter side; 0: as they are is best."""
PART = 0.5
"""Steps of depth, in frames, within which blur counts as the same."""
_FINENESS, _WIDEST = 0.25, 6.0  # px of a reduced picture: sigmas differ by so much, and are no wider
_TOLD = 8  # pairs, the least alike ones, that tell how fast blur grows


@dataclass(kw_only=True)
class EqualBlur:
    """Frames of one stack whose links are measured under equal blur; ``depth`` (R, C) in frames, as ``poses`` have it."""

    frames: Sequence[FrameView]
    poses: Sequence[Similarity]
    depth: F64
    size: tuple[int, int]
    even: bool = False
    """Whether bands of rows are taken out."""

    def __post_init__(self) -> None:
        self.centre = centre_of(self.size)
        self.levels = gap_levels(self.size)
        self.depth = _filled(self.depth)
        self.growth = 0.0
        self._light: dict[tuple[int, int], F32] = {}
        self._blurred: dict[tuple[int, int, float], F32] = {}

    def links(self, found: Mapping[tuple[int, int], CoarseLink]) -> dict[tuple[int, int], CoarseLink]:
        """Those of the links ``found`` whose frames equal blur makes more alike, measured anew."""
        if not found or not np.isfinite(self.depth).all():
            return {}
        told = dict(sorted(found.items(), key=lambda f: f[1].likeness)[:_TOLD])
        best = max(GROWTHS, key=lambda growth: sum(self._alike(told, growth, self.levels[0])))
        if not best:
            return {}
        alike = [self._alike(found, growth, self.levels[-1]) for growth in (0.0, best)]
        gains = [here > before for before, here in zip(*alike, strict=True)]
        return {
            pair: self._link(pair, link)
            for gain, (pair, link) in zip(gains, found.items(), strict=True)
            if gain
        }

    def _grow(self, growth: float) -> None:
        self.growth = growth * min(self.size)
        self._blurred.clear()

    def _alike(self, found: Mapping[tuple[int, int], CoarseLink], growth: float, level: int) -> list[float]:
        """How alike the pairs are if blur grows so, ``level`` times reduced."""
        self._grow(growth)
        return [
            likeness(*self._pair(pair, level), to_matrix(link.pose, self.centre, level))[0]
            for pair, link in found.items()
        ]

    def _link(self, pair: tuple[int, int], link: CoarseLink) -> CoarseLink:
        pose, known = link.pose, link.information
        for level in self.levels:
            pose, known = refine(*self._pair(pair, level), pose, level, self.centre)
        return replace(link, pose=pose, information=known)

    def _pair(self, pair: tuple[int, int], level: int) -> tuple[F32, F32]:
        """Two frames, reduced and band-passed, each blurred as the other one is."""
        one, two = pair
        planes = [self._as_blurred_as(k, other, level) for k, other in ((one, two), (two, one))]
        return kernel.bandpass(planes[0]), kernel.bandpass(planes[1])

    def _as_blurred_as(self, place: int, other: int, level: int) -> F32:
        light = self._reduced(place, level)
        deep = PART * np.rint(self._depth_of(place, level, light.shape) / PART)
        out = np.empty_like(light)
        for depth in np.unique(deep):
            more = self.growth * max((other - depth) ** 2 - (place - depth) ** 2, 0.0) ** 0.5 / level
            here = deep == depth
            sigma = _FINENESS * round(min(more, _WIDEST) / _FINENESS)
            out[here] = self._soft(place, level, sigma)[here] if sigma else light[here]
        return out

    def _soft(self, place: int, level: int, sigma: float) -> F32:
        at = (place, level, sigma)
        if at not in self._blurred:
            self._blurred[at] = blur_grid(self._reduced(place, level), sigma)
        return self._blurred[at]

    def _depth_of(self, place: int, level: int, shape: tuple[int, ...]) -> F64:
        """Depth of each pixel of a reduced frame."""
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64) * level + (level - 1) / 2
        pose, c = self.poses[place], self.centre
        there = ((x - c.real) + 1j * (y - c.imag) - pose.t) / pose.a
        rows, cols = self.depth.shape
        row = np.clip((there.imag + c.imag + 0.5) // CELL, 0, rows - 1).astype(np.intp)
        col = np.clip((there.real + c.real + 0.5) // CELL, 0, cols - 1).astype(np.intp)
        return np.asarray(self.depth[row, col])

    def _reduced(self, place: int, level: int) -> F32:
        """Linear light of a frame, ``level`` times reduced."""
        if (place, level) not in self._light:
            frame = self.frames[place]
            if level < SMALL:
                found = kernel.luma(frame.pixels, level)
            elif level == SMALL:
                found = small_light(frame)
            else:
                found = halve(frame.small if level == 2 * SMALL else self._reduced(place, level // 2))
            self._light[place, level] = (
                found if level > self.levels[-1] or not self.even else even_rows(found)
            )
        return self._light[place, level]


def _filled(depth: F64) -> F64:
    """Unknown places take the mean of those around them, from the known ones outward."""
    out = depth.copy()
    while np.isnan(out).any() and np.isfinite(out).any():
        known = np.isfinite(out)
        value, count = (np.pad(p, 1) for p in (np.where(known, out, 0.0), known.astype(np.float64)))
        rows, cols = out.shape
        around = [(dy, dx) for dy in range(3) for dx in range(3)]
        total, number = (sum(p[y : y + rows, x : x + cols] for y, x in around) for p in (value, count))
        out = np.where(known, out, np.where(number > 0, total / np.maximum(number, 1), np.nan))
    return out
