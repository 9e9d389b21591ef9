"""How sharpness rises and falls over the frames, cell by cell, gathered in one pass over the surveys.

For each cell and band, the sharpest frame and how much less its two neighbours show are kept, so that memory does not grow
with the number of frames. Near its peak the logarithm of a band's energy is close to a parabola in the distance of focus,
whatever the texture; the width of steps is measured by it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focus.find import in_order
from nearfar.merge.focus.seen import FocusFrame, see
from nearfar.merge.noise import Noise

F32 = NDArray[np.float32]

BANDS = 3
"""Of luma in a survey, finest first."""
SURE = 10.0
"""Energy of a peak, as a multiple of the noise's, from which its neighbours are used."""
LEAST = 1.5
"""Energies below this multiple of the noise's count as that much, which makes a step look narrower, never wider."""
SAMPLED = 2
"""Number of finest bands from which the order of the frames is found; they lose their energy within a step or two."""
SAMPLE = 1500
"""Number of cells, spread over the picture, whose energies are kept of every frame for that."""


@dataclass(frozen=True, kw_only=True)
class Curve:
    """How one band's energy runs over the frames, on cells (R, C).

    ``sharpest`` is the place of the frame with the largest energy. ``below`` and ``above`` are logarithms of the energy in
    the frames before and after it over its own, 0 or less, and NaN beyond the ends. ``sure`` marks peaks clear of the noise.
    """

    sharpest: NDArray[np.int16]
    below: F32
    above: F32
    sure: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Curves:
    """The curves of a stack of n frames."""

    frames: int
    bands: tuple[Curve, ...]
    """Finest first."""
    peak: F32
    """(3, R, C), largest energy of each band, less the noise's."""
    floor: F32
    """(3, R, C), the noise's energy."""
    sample: F32
    """(n, `SAMPLED`, m), energies of every frame in m cells."""
    sample_floor: F32
    """(`SAMPLED`, m), the noise's energy in these cells."""


class _Band:
    """Running peak of one band, with the energies beside it."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.best = np.full(shape, -1, np.float32)
        self.sharpest = np.zeros(shape, np.int16)
        self.below = np.full(shape, np.nan, np.float32)
        self.above = np.full(shape, np.nan, np.float32)
        self.last: F32 | None = None

    def add(self, index: int, energy: F32) -> None:
        """Add the next frame's energy."""
        follows = self.sharpest == index - 1
        if index:
            np.copyto(self.above, energy, where=follows)
        better = energy > self.best
        np.copyto(self.below, np.float32(np.nan) if self.last is None else self.last, where=better)
        np.copyto(self.above, np.float32(np.nan), where=better)
        np.copyto(self.best, energy, where=better)
        np.copyto(self.sharpest, np.int16(index), where=better)
        self.last = energy

    def curve(self, floor: F32) -> Curve:
        """The curve after all frames; ``floor`` is the noise's energy."""
        least = np.float32(LEAST) * floor
        top = np.log(np.maximum(self.best, least))
        return Curve(
            sharpest=self.sharpest,
            below=np.minimum(np.log(np.maximum(self.below, least)) - top, 0),
            above=np.minimum(np.log(np.maximum(self.above, least)) - top, 0),
            sure=self.best > np.float32(SURE) * floor,
        )


def sharpness_curves(
    frames: Sequence[FocusFrame], *, noise: Noise, threads: int, tick: Callable[[float], None]
) -> Curves:
    """Gather the curves, seeing every frame once, in order.

    Cost: a third of the focus step. Memory: two dozen grids, three more per thread, and 12 kB per frame.
    """
    bands: list[_Band] = []
    sample: list[F32] = []
    places: NDArray[np.intp] | None = None
    peak = total = None
    for index, seen in enumerate(in_order(frames, lambda frame: see(frame, noise), threads)):
        energy, luma = seen.energy, seen.luma
        if peak is None or total is None or places is None:
            bands = [_Band((luma.shape[0], luma.shape[1])) for _ in range(BANDS)]
            peak, total = energy.copy(), np.zeros_like(luma)
            places = np.linspace(0, luma.size - 1, min(SAMPLE, luma.size)).astype(np.intp)
        for band, running in enumerate(bands):
            running.add(index, energy[band].copy())
        np.maximum(peak, energy, out=peak)
        total += luma
        sample.append(energy[:SAMPLED].reshape(SAMPLED, -1)[:, places])
        tick(1.0)
    assert peak is not None  # noqa: S101 - a stack has a frame; the caller refuses an empty one
    assert total is not None  # noqa: S101 - the same
    mean = np.asarray(total / np.float32(len(frames)), np.float32)
    floor = np.stack([np.maximum(noise.energy(b, mean), np.float32(1e-12)) for b in range(BANDS)])
    return Curves(
        frames=len(frames),
        bands=tuple(running.curve(floor[b]) for b, running in enumerate(bands)),
        peak=peak,
        floor=floor,
        sample=np.stack(sample),
        sample_floor=floor[:SAMPLED].reshape(SAMPLED, -1)[:, places],
    )
