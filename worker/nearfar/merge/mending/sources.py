"""What each use puts into its region: pixels for any box of the picture, from frames or from the picture itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.mending.boxes import Box
from nearfar.merge.mending.frames import Carrier
from nearfar.merge.mending.planes import WHITE, bands, doubled, halved, spread, square_mean
from nearfar.merge.mending.smooth import Surface

U16 = NDArray[np.uint16]
F32 = NDArray[np.float32]
FULL = np.float32(65535)
"""White of 16 bits."""
CELL = 16
"""Pixels along the edge of a cell of the focus map."""
BARELY = np.float32(0.2)
"""Share up to which a cell has no weight; four that meet have .25 each."""
NEAR = 4
"""Frames on each side of the one that the focus map names which may be averaged."""
MOST_QUIET = 6
"""The most frames that one mend averages: each has to be decoded again while a person waits."""
WARPED = 0.781
"""Variance that a warp is taken to leave of white noise of variance 1 in a channel. Measured is 3 % less
(`chooser.numbers.CHANNEL`); another figure would change mends that were made."""
AGREEMENT = 0.3
"""How far a frame may differ and still be averaged, as a multiple of the noise's variance. Chosen with `SHRINK` on rendered
brackets: noise in plain places falls to .42 to .77, errors in detail change to .85 to 1.05 of what they were."""
SHRINK = 1.0
"""Detail below this multiple of the remaining noise counts as noise."""
MOST_CHANGE = 2.0
"""The most that noise reduction changes a value, in standard deviations of the remaining noise."""
HALO = 32
"""Pixels around a box that noise reduction needs: two to compare frames at half size, fourteen for the bands; rounded up."""
Below = Callable[[Box], U16]


class Source(Protocol):
    """The pixels that a mend puts into its region."""

    def pixels(self, box: Box, below: Below) -> F32:
        """Pixels of a box of the picture, (height, width, 3) float32, white at 65535.

        ``below`` gives the picture without this mend in any box, (height, width, 3) uint16.
        """


@dataclass(frozen=True)
class SmoothSource:
    """Even colours, for `Use.SMOOTH`."""

    surface: Surface

    def pixels(self, box: Box, below: Below) -> F32:
        """Pixels of the surface."""
        return self.surface.pixels(box)


@dataclass(frozen=True)
class FrameSource:
    """One frame, and the picture where that does not reach, for `Use.FRAME`."""

    frame: Carrier

    def pixels(self, box: Box, below: Below) -> F32:
        """Pixels of the frame in the picture's geometry."""
        own = self.frame.carried(box).astype(np.float32)
        cover = self.frame.cover(box)
        if cover.min() >= 1:
            return own
        under = below(box).astype(np.float32)
        return np.asarray(under + cover[:, :, None] * (own - under), np.float32)


@dataclass(frozen=True)
class FocusCells:
    """The focus map of a part of the picture, in cells of 16 pixels."""

    left: int
    """Left edge of the part, pixels; a multiple of 16."""
    top: int
    """Upper edge, likewise."""
    named: NDArray[np.int32]
    """(R, C), the place from 0 of the frame that the map names in each cell."""

    def counts(self) -> dict[int, int]:
        """How many cells name each frame."""
        frames, counts = np.unique(self.named, return_counts=True)
        return {int(f): int(n) for f, n in zip(frames, counts, strict=True)}

    def shares(self, box: Box, chosen: NDArray[np.bool_]) -> F32:
        """How far each pixel of a box lies in chosen cells (R, C), (height, width): bilinear between middles of cells."""
        rows, cols = self.named.shape
        x, y, width, height = box
        down = np.clip((np.arange(y, y + height) - self.top + 0.5) / CELL - 0.5, 0, rows - 1)
        across = np.clip((np.arange(x, x + width) - self.left + 0.5) / CELL - 0.5, 0, cols - 1)
        r, c = (
            np.minimum(down.astype(int), max(0, rows - 2)),
            np.minimum(across.astype(int), max(0, cols - 2)),
        )
        fr, fc = (down - r).astype(np.float32)[:, None], (across - c).astype(np.float32)
        r2, c2 = np.minimum(r + 1, rows - 1), np.minimum(c + 1, cols - 1)
        plane = chosen.astype(np.float32)
        upper = plane[r][:, c] * (1 - fc) + plane[r][:, c2] * fc
        lower = plane[r2][:, c] * (1 - fc) + plane[r2][:, c2] * fc
        return np.asarray(upper * (1 - fr) + lower * fr, np.float32)


@dataclass(frozen=True)
class MapSource:
    """At each place the frame that the focus map names, with soft borders between frames, for `Use.MAP`."""

    cells: FocusCells
    frames: Mapping[int, Carrier]

    def pixels(self, box: Box, below: Below) -> F32:
        """Pixels of the frames by the map, and of the picture where the frame that the map names does not reach."""
        total = np.zeros((box[3], box[2], 3), np.float32)
        weight = np.zeros((box[3], box[2]), np.float32)
        for number, frame in self.frames.items():
            share = self.cells.shares(box, self.cells.named == number)
            share = np.square(np.maximum(share - BARELY, 0)) * frame.cover(box)
            if share.any():
                total += share[:, :, None] * frame.carried(box).astype(np.float32)
                weight += share
        nowhere = weight <= 0
        weight[nowhere] = 1
        total /= weight[:, :, None]
        if nowhere.any():
            total[nowhere] = below(box).astype(np.float32)[nowhere]
        return total


def quiet_frames(cells: FocusCells, count: int) -> list[int]:
    """Places of the frames to average in a region: those nearest to the ones that the map names there, in order."""
    use: dict[int, float] = {}
    for named, cell_count in cells.counts().items():
        for k in range(max(0, named - NEAR), min(count, named + NEAR + 1)):
            use[k] = use.get(k, 0.0) + cell_count / (1 + abs(k - named))
    return sorted(sorted(use, key=lambda k: (-use[k], k))[:MOST_QUIET])


@dataclass(frozen=True)
class QuietSource:
    """The picture averaged with the frames that agree with it, and its remaining noise reduced, for `Use.QUIET`.

    ``variance``: of the noise in one channel of a frame, white being 1.
    """

    frames: Sequence[Carrier]
    variance: float
    bounds: Box
    """The box that the frames were decoded for; nothing outside it is used."""

    def pixels(self, box: Box, below: Below) -> F32:
        """Pixels of the picture with less noise."""
        wide = _with_halo(box, self.bounds)
        mean, left = self._averaged(wide, below(wide).astype(np.float32) / FULL)
        out = _shrunk(mean, left) * FULL
        y, x = box[1] - wide[1], box[0] - wide[0]
        return np.ascontiguousarray(out[y : y + box[3], x : x + box[2]])

    def _averaged(self, box: Box, here: F32) -> tuple[F32, F32]:
        """The mean of the picture and the frames that agree with it, and the variance (h, w) of its noise."""
        shape = (box[3], box[2])
        noise = np.float32(max(self.variance * WARPED, 1e-10))
        total, weight = here.copy(), np.ones(shape, np.float32)
        squares = np.ones(shape, np.float32)
        for frame in self.frames:
            own = frame.carried(box).astype(np.float32) / FULL
            off = spread(halved(square_mean(own - here)), 1) / (2 * noise)
            agrees = np.maximum(0, 1 - np.maximum(0, off - 1) / np.float32(8 * AGREEMENT))
            agrees *= agrees
            agrees *= agrees
            w = doubled(agrees * agrees, shape) * frame.cover(box)
            total += w[:, :, None] * own
            weight += w
            squares += w * w
        return total / weight[:, :, None], noise * squares / (weight * weight)


def _with_halo(box: Box, bounds: Box) -> Box:
    """The box grown by `HALO` to even coordinates, within bounds."""
    left, top = max(bounds[0], (box[0] - HALO) // 2 * 2), max(bounds[1], (box[1] - HALO) // 2 * 2)
    right = min(bounds[0] + bounds[2], box[0] + box[2] + HALO)
    bottom = min(bounds[1] + bounds[3], box[1] + box[3] + HALO)
    return left, top, right - left, bottom - top


def _shrunk(picture: F32, variance: F32) -> F32:
    """Reduce each band by the share that noise explains (a Wiener filter by local energy), by `MOST_CHANGE` at most."""
    *fine, rest = bands(picture, len(WHITE))
    out = rest
    for level, (band, white) in enumerate(zip(fine, WHITE, strict=True)):
        energy = spread(square_mean(band), 1 << min(level, 1))
        floor = np.float32(SHRINK * white) * variance
        out = out + band * np.maximum(0, 1 - floor / np.maximum(energy, np.float32(1e-12)))[:, :, None]
    most = np.float32(MOST_CHANGE) * np.sqrt(variance)[:, :, None]
    return np.asarray(picture + np.clip(out - picture, -most, most), np.float32)
