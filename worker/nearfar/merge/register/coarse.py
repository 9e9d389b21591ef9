"""A link between two frames from their reduced pictures: phase correlation, then blocks at two reductions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import fit_calls, grid_calls
from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.register_calls import BLOCK
from nearfar.merge.register.gains import gain_between
from nearfar.merge.register.pictures import Reduced, fast_length
from nearfar.merge.register.recipe import RegisterRecipe
from nearfar.merge.register.similarity import IDENTITY, Similarity, centre_of, to_matrix

PASSES = 4
FEW_BLOCKS = 80
MANY_BLOCKS = 500
_PEAKS = 4
_PEAK_APART = 4
_SPECTRAL_SIGMA = 0.15


@dataclass(frozen=True, kw_only=True)
class CoarseLink:
    """Pose from the first frame to the second, and how alike they are under it."""

    pose: Similarity
    likeness: float
    overlap: float
    holds: bool
    gain_ev: float | None
    information: NDArray[
        np.float64
    ]  # (4, 4) about (x, y, log scale, roll), as the finest level used knows them


def shift_candidates(
    first: NDArray[np.complex64], second: NDArray[np.complex64], shape: tuple[int, int]
) -> Iterator[complex]:
    """Whole-pixel shifts s with second(x + s) ~ first(x), likeliest first, by phase correlation."""
    h, w = shape
    cross = np.conj(first) * second
    size = np.abs(cross)
    cross = cross / (size + 0.05 * size.max() + 1e-20)
    fy, fx = np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None]
    cross *= np.exp(-(fx**2 + fy**2) / (2 * _SPECTRAL_SIGMA**2))
    peaks = np.fft.irfft2(cross, shape)
    for _ in range(_PEAKS):
        y, x = divmod(int(peaks.argmax()), w)
        yield complex(x - w if x > w // 2 else x, y - h if y > h // 2 else y)
        rows = (np.arange(y - _PEAK_APART, y + _PEAK_APART + 1)) % h
        columns = (np.arange(x - _PEAK_APART, x + _PEAK_APART + 1)) % w
        peaks[np.ix_(rows, columns)] = -np.inf


def block_grid(width: int, height: int) -> NDArray[np.int32]:
    """(K, 2) x, y of blocks that cover a picture, centred; overlapping by half where they are few, apart where many."""
    stride = BLOCK
    if ((width - 2) // BLOCK) * ((height - 2) // BLOCK) < FEW_BLOCKS:
        stride = BLOCK // 2
    while ((width - 2) // stride) * ((height - 2) // stride) > MANY_BLOCKS:
        stride += BLOCK // 2
    axes = []
    for n in (width, height):
        count = max((n - 2 - BLOCK) // stride + 1, 0) if n >= BLOCK + 2 else 0
        axes.append((n - (count - 1) * stride - BLOCK) // 2 + stride * np.arange(count))
    x, y = np.meshgrid(*axes)
    return np.stack([x.ravel(), y.ravel()], axis=1).astype(np.int32)


def refine(
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    pose: Similarity,
    reduction: int,
    centre: complex,
) -> tuple[Similarity, NDArray[np.float64]]:
    """``pose`` after a few rounds of the block solver on two band-passed pictures, and what is known of it."""
    h, w = first.shape
    origins = block_grid(w, h)
    known = np.zeros((4, 4))
    if not len(origins):
        return pose, known
    at = (origins[:, 1].astype(np.int64) - 1) * w + origins[:, 0] - 1
    nothing = np.zeros(len(origins), np.int64)
    middle = reduction * (origins + (BLOCK - 1) / 2) + (reduction - 1) / 2
    x, y = (np.asarray(middle[:, c] - (centre.real, centre.imag)[c], np.float64) for c in (0, 1))
    for _ in range(PASSES):
        matrix = to_matrix(pose, centre, reduction)
        moments = kernel.sums(origins, first, at, second, nothing, np.zeros_like(origins), matrix)
        fit = fit_calls.fit(fit_calls.equations(moments), x, y, None, reduction)
        if fit is None:
            break
        known = fit.information
        dx, dy, scale, roll = (float(v) for v in fit.step)
        pose = pose.after(Similarity(1 + scale + 1j * roll, complex(dx, dy)))
        if abs(complex(dx, dy)) + abs(complex(scale, roll)) * abs(centre) < 0.01 * reduction:
            break
    return pose, known


def likeness(
    first: NDArray[np.float32], second: NDArray[np.float32], matrix: NDArray[np.float64]
) -> tuple[float, float]:
    """Correlation of two band-passed pictures under a pose, and the share of the picture that they have in common."""
    count, a, b, aa, bb, ab = (float(v) for v in grid_calls.alike(first, second, matrix))
    if count < BLOCK * BLOCK:
        return 0.0, count / first.size
    power = max(aa - a * a / count, 0.0) * max(bb - b * b / count, 0.0)
    return (round((ab - a * b / count) / power**0.5, 9) if power > 0 else 0.0), count / first.size


def _shifts(first: Reduced, second: Reduced, recipe: RegisterRecipe) -> Iterator[tuple[float, complex]]:
    """Shifts to begin with, and the likeness that is asked of what comes of each: far more of none at all, which is the
    usual case and saves the spectra.
    """
    yield max(recipe.sure_likeness, recipe.link_likeness), 0j
    h, w = first.light.shape
    for shift in shift_candidates(first.spectrum(), second.spectrum(), (fast_length(h), fast_length(w))):
        yield recipe.link_likeness, shift


def coarse_link(
    first: Reduced, second: Reduced, *, size: tuple[int, int], recipe: RegisterRecipe
) -> CoarseLink:
    """The best link between two frames; ``holds`` is false where they are not alike under any pose that was tried."""
    centre, levels = centre_of(size), sorted(first.bands, reverse=True)
    top = levels[0]
    best = CoarseLink(
        pose=IDENTITY, likeness=0.0, overlap=0.0, holds=False, gain_ev=None, information=np.zeros((4, 4))
    )
    for least, shift in _shifts(first, second, recipe):
        pose = Similarity(1 + 0j, shift * top)
        for level in levels:
            pose, known = refine(first.bands[level], second.bands[level], pose, level, centre)
        matrix = to_matrix(pose, centre, top)
        alike, overlap = likeness(first.bands[top], second.bands[top], matrix)
        turn = np.log(pose.a)
        holds = (
            alike > least
            and overlap > recipe.overlap
            and abs(turn.real) < recipe.most_turn
            and abs(turn.imag) < recipe.most_turn
        )
        if holds or alike > best.likeness:
            gain = gain_between(first.light, second.light, matrix, top) if holds else None
            best = CoarseLink(
                pose=pose, likeness=alike, overlap=overlap, holds=bool(holds), gain_ev=gain, information=known
            )
        if holds:
            break
    return best
