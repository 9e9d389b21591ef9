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
from nearfar.merge.register.similarity import Similarity, centre_of, to_matrix
from nearfar.merge.register.tuning import Tuning

PASSES = 4  # rounds of the block solver at the most
FEW_BLOCKS = 80  # below which blocks overlap by half
MANY_BLOCKS = 500  # above which they are set apart
_PEAKS = 4  # shifts that are tried
_PEAK_APART = 4  # pixels around a peak in which no other is looked for
_REPEATS = 0.9  # height of the second peak over the first from which a pattern may repeat itself
_NEAR = 2.0  # pixels of the most reduced picture within which a shift is too small for a repeated pattern
_ELSEWHERE = 4.0  # pixels of the most reduced picture by which two shifts are not the same
_AS_ALIKE = 0.03  # likenesses that differ by less than this do not tell repeats of a pattern apart
_SPECTRAL_SIGMA = 0.15  # cycles a pixel: frequencies above are mostly noise
_STILL = 0.01  # pixels of the reduced picture: a round that moves less is the last
_BLOWN, _CLEAR = 1e-3, 12  # weight of blocks with blown light, where at least so many others are without


@dataclass(frozen=True, kw_only=True)
class CoarseLink:
    """Pose from the first frame to the second, and how alike they are under it."""

    pose: Similarity
    """In pixels of full size, about the centre."""
    likeness: float
    """Correlation of the most reduced band-passed pictures, -1..1."""
    overlap: float
    """Share of the picture that both have, 0..1."""
    holds: bool
    gain_ev: float | None
    """Exposure of the second over the first, EV; None where the link does not hold, or nothing tells."""
    information: NDArray[np.float64]
    """(4, 4), the inverse of the covariance of x, y (px), log scale and roll (rad), as the finest level used knows them."""
    evened: bool = False
    """Whether rows were made evenly bright first."""


def shift_candidates(
    first: NDArray[np.complex64], second: NDArray[np.complex64], shape: tuple[int, int]
) -> Iterator[tuple[complex, float]]:
    """Whole-pixel shifts s with second(x + s) ~ first(x), likeliest first, by phase correlation, and each one's peak.

    Parameters
    ----------
    first, second
        (h, w // 2 + 1) spectra of both pictures, as ``rfft2`` gives them.
    shape
        Height and width, h and w, of the pictures.

    Notes
    -----
    Kuglin and Hines, The Phase Correlation Image Alignment Method, 1975 (from memory); high frequencies, which are noise,
    count less here. At most four shifts, none within four pixels of a likelier one.
    """
    h, w = shape
    cross = np.conj(first) * second
    size = np.abs(cross)
    cross = cross / (size + 0.05 * size.max() + 1e-20)
    fy, fx = np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None]
    cross *= np.exp(-(fx**2 + fy**2) / (2 * _SPECTRAL_SIGMA**2))
    peaks = np.fft.irfft2(cross, shape)
    for _ in range(_PEAKS):
        y, x = divmod(int(peaks.argmax()), w)
        yield complex(x - w if x > w // 2 else x, y - h if y > h // 2 else y), float(peaks[y, x])
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
    weights: NDArray[np.float64] | None = None,
) -> tuple[Similarity, NDArray[np.float64]]:
    """``pose`` after a few rounds of the block solver on two band-passed pictures, and what is known of it.

    Parameters
    ----------
    first, second
        (h, w) pictures, reduced ``reduction`` times.
    pose
        To begin with, in pixels of full size about ``centre``.
    centre
        Of a frame, x + i y, px of full size.
    weights
        Of the blocks that `block_grid` gives.

    Returns
    -------
    The pose, and its information (4, 4) about x, y (px of full size), log scale and roll (rad); zeros if no block fits in.
    """
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
        fit = fit_calls.fit(fit_calls.equations(moments), x, y, weights, reduction)
        if fit is None:
            break
        known = fit.information
        dx, dy, scale, roll = (float(v) for v in fit.step)
        pose = pose.after(Similarity(1 + scale + 1j * roll, complex(dx, dy)))
        if abs(complex(dx, dy)) + abs(complex(scale, roll)) * abs(centre) < _STILL * reduction:
            break
    return pose, known


def likeness(
    first: NDArray[np.float32], second: NDArray[np.float32], matrix: NDArray[np.float64]
) -> tuple[float, float]:
    """Correlation of two band-passed pictures, -1..1, and the share of the picture that they have in common, 0..1.

    ``matrix`` (2, 3) takes places of the first, px of these pictures, to those of the second. 0 where less than a block is
    common to both.
    """
    count, a, b, aa, bb, ab = (float(v) for v in grid_calls.alike(first, second, matrix))
    if count < BLOCK * BLOCK:
        return 0.0, count / first.size
    power = max(aa - a * a / count, 0.0) * max(bb - b * b / count, 0.0)
    return (round((ab - a * b / count) / power**0.5, 9) if power > 0 else 0.0), count / first.size


class _Pair:
    """Two reduced frames that are to be linked."""

    def __init__(self, first: Reduced, second: Reduced, size: tuple[int, int], tuning: Tuning) -> None:
        self.first, self.second, self.tuning = first, second, tuning
        self.centre, self.levels = centre_of(size), sorted(first.bands, reverse=True)
        self.top = self.levels[0]

    def from_shift(self, shift: complex, least: float) -> CoarseLink:
        """What comes of a shift to begin with, in pixels of the most reduced pictures; asked to be alike by ``least``."""
        pose = Similarity(1 + 0j, shift * self.top)
        for level in self.levels:
            first, second = self.first.bands[level], self.second.bands[level]
            pose, known = refine(first, second, pose, level, self.centre, self._weights(level))
        matrix = to_matrix(pose, self.centre, self.top)
        alike, overlap = likeness(self.first.bands[self.top], self.second.bands[self.top], matrix)
        turn, most = np.log(pose.a), self.tuning.most_turn
        holds = (
            alike > least
            and overlap > self.tuning.overlap
            and abs(turn.real) < most
            and abs(turn.imag) < most
        )
        gain = gain_between(self.first.light, self.second.light, matrix, self.top) if holds else None
        return CoarseLink(
            pose=pose, likeness=alike, overlap=overlap, holds=bool(holds), gain_ev=gain, information=known
        )

    def _weights(self, level: int) -> NDArray[np.float64] | None:
        """Hardly any for blocks with blown light in either frame, if enough others remain: it spreads as blur grows."""
        blown = self.first.blown[level] | self.second.blown[level]
        if not blown.any():
            return None
        sums = np.pad(np.cumsum(np.cumsum(blown, axis=0, dtype=np.int64), axis=1), ((1, 0), (1, 0)))
        x, y = block_grid(blown.shape[1], blown.shape[0]).T
        inside = sums[y + BLOCK, x + BLOCK] - sums[y, x + BLOCK] - sums[y + BLOCK, x] + sums[y, x]
        weights = np.where(inside > 0, _BLOWN, 1.0)
        return weights if np.count_nonzero(inside == 0) >= _CLEAR else None

    def candidates(self) -> list[tuple[complex, float]]:
        """Shifts of the most reduced pictures by phase correlation, with their peaks."""
        h, w = self.first.light.shape
        shape = (fast_length(h), fast_length(w))
        return list(shift_candidates(self.first.spectrum(), self.second.spectrum(), shape))


def _least_moved(found: list[CoarseLink]) -> CoarseLink:
    """Of links that hold, the one of the smallest shift among those that are about as alike as the best."""
    best = max(link.likeness for link in found)
    return min((k for k in found if k.likeness > best - _AS_ALIKE), key=lambda link: abs(link.pose.t))


def coarse_link(first: Reduced, second: Reduced, *, size: tuple[int, int], tuning: Tuning) -> CoarseLink:
    """The best link between two frames; ``holds`` is false where they are not alike under any pose that was tried.

    ``size``: width and height of a frame, px of full size.

    No shift at all is tried first: where that leads to pictures that are far more alike than is asked, which is the usual
    case, nothing else is. Else the first of the likeliest shifts that holds is taken. But walls of bricks, meshes and cloth
    look alike under many shifts: where those are told by as high peaks, or where what was found at rest lies elsewhere than
    the likeliest shift, they are compared.
    """
    pair = _Pair(first, second, size, tuning)
    at_rest = pair.from_shift(0j, max(tuning.sure_likeness, tuning.link_likeness))
    if at_rest.holds and abs(at_rest.pose.t) < _NEAR * pair.top:
        return at_rest
    shifts = pair.candidates()
    repeats = shifts[1][1] > _REPEATS * shifts[0][1]
    aside = abs(at_rest.pose.t - shifts[0][0] * pair.top)
    if at_rest.holds and not repeats and aside < _ELSEWHERE * pair.top:
        return at_rest
    tried = [at_rest]
    for shift, _ in shifts:
        tried.append(pair.from_shift(shift, tuning.link_likeness))
        if tried[-1].holds and not repeats:
            break
    held = [link for link in tried if link.holds]
    return _least_moved(held) if held else max(tried, key=lambda link: link.likeness)
