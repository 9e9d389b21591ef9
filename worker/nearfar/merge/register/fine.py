"""A link at full size: the blocks that are sharp in both frames, measured where they lie."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import fit_calls, grid_calls
from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.picture_calls import CELL
from nearfar.merge.kernel.register_calls import BLOCK, RING
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.robust import weighted_median
from nearfar.merge.register.sharpness import CellSharpness
from nearfar.merge.register.similarity import Similarity, centre_of, to_matrix
from nearfar.merge.register.tilt import Growth, Tilt, growth_of, lean_of
from nearfar.merge.register.tuning import Tuning

WINDOW = 26  # px, side of what is cut out of the second frame: a block's ring and 4 px on each side
_DENSE = 400  # cells below which blocks overlap by half
_LEAST_WEIGHT = 1e-6  # of a block that is sharp in neither frame, so that there is something to fit at all
_ENOUGH_CELLS = 200  # that count fully, or an eighth of all where there are few
_LEAST_FULL = 0.05  # relative sharpness that counts fully, at the least
_READ_AGAIN = 1.0  # px that a pose may move before windows are cut out anew
_CHI_MEDIAN = 1.386  # median of chi-squared with two degrees of freedom
_USUAL_MISFIT = 3.0  # of blocks, in relation to what they know, up to which noise explains how they scatter
_ASTRAY = (
    10.0  # px by which a link may err whose blocks scatter by 1 px beyond noise; it goes as the cube of that
)
_HELD = 1e-3  # holds what is smooth where blocks lie in few places
_STILL = 0.01  # px: a pass that moves less is the last


@dataclass(frozen=True, kw_only=True)
class FineLink:
    """Pose from frame ``first`` to frame ``second`` (places in the stack), and what its K blocks say about it."""

    first: int
    second: int
    pose: Similarity
    """In pixels of full size, about the centre."""
    information: NDArray[np.float64]
    """(4, 4), the inverse of the covariance of x, y (px), log scale and roll (rad)."""
    x: NDArray[np.float64]
    """(K,) middles of the blocks in the first frame, px from its centre, and so is ``y``."""
    y: NDArray[np.float64]
    residual: NDArray[np.float64]
    """(K, 2) x and y, px: each block's own shift less that of the pose."""
    weight: NDArray[np.float64]
    """(K,) trace of each block's information times its robust weight."""
    known: NDArray[np.float64]
    """(K, 3) information about each block's own shift: xx, xy, yy, in 1 / px²."""
    astray: float
    """px by which it may err in common with most of its blocks, because they contradict each other."""
    growth: Growth | None
    doubt: float
    """1 where its blocks are sharp in both frames, more the blurrier they are."""


@dataclass(frozen=True, kw_only=True)
class _Choice:
    origins: NDArray[np.int32]  # (K, 2) x, y
    weights: NDArray[np.float64]  # (K,)
    full: float  # relative sharpness that counts fully


def _origins(size: tuple[int, int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    w, h = size
    stride = BLOCK if (w // BLOCK) * (h // BLOCK) >= _DENSE else BLOCK // 2
    return np.arange(stride, w - BLOCK, stride), np.arange(stride, h - BLOCK, stride)


def _full_sharpness(sharp: NDArray[np.float32], tuning: Tuning) -> float:
    """Sharpness that counts fully: what enough cells reach, where the pair shares too few that are really sharp."""
    flat = sharp.ravel()
    enough = min(_ENOUGH_CELLS, max(len(flat) // 8, 1))
    reached = float(np.partition(flat, len(flat) - enough)[len(flat) - enough])
    return float(np.clip(reached, _LEAST_FULL, tuning.full_sharp))


def choose_blocks(
    first: CellSharpness,
    second: CellSharpness,
    pose: Similarity,
    *,
    size: tuple[int, int],
    tuning: Tuning,
) -> _Choice:
    """The blocks that are sharpest in both frames, at most ``tuning.blocks``, with their weights.

    Parameters
    ----------
    first, second
        Sharpness of the cells of either frame; cells of the second are looked up where ``pose`` takes those of the first.
    pose
        From the first frame to the second, px of full size.
    size
        Width and height of a frame, px.
    """
    matrix = to_matrix(pose, centre_of(size), CELL)
    shape = first.relative.shape
    sharp, energy = grid_calls.shared(
        (first.relative, first.energy), (second.relative, second.energy), matrix
    )
    full = _full_sharpness(sharp, tuning)
    least = tuning.least_sharp * full / tuning.full_sharp
    xs, ys = _origins(size)
    columns = np.minimum((xs + BLOCK // 2) // CELL, shape[1] - 1)
    rows = np.minimum((ys + BLOCK // 2) // CELL, shape[0] - 1)
    cells = (rows[:, None] * shape[1] + columns).ravel()
    sharp = sharp.ravel()[cells]
    keep = np.flatnonzero(sharp > np.float32(least))
    if len(keep) < tuning.blocks:
        keep = np.arange(len(sharp))
    part = np.clip((sharp[keep].astype(np.float64) - least) / (full - least), 0, 1)
    weight = part * part * part + _LEAST_WEIGHT
    if len(keep) > tuning.blocks:
        score = weight * energy.ravel()[cells[keep]]
        least_score = np.partition(score, len(score) - tuning.blocks)[len(score) - tuning.blocks]
        best = np.flatnonzero(score >= least_score)[: tuning.blocks]
        keep, weight = keep[best], weight[best]
    y, x = np.divmod(keep, max(len(xs), 1))
    return _Choice(origins=np.stack([xs[x], ys[y]], axis=1).astype(np.int32), weights=weight, full=full)


class _Windows:
    """The band-passed pixels of a link's blocks in both frames; the second's are cut out anew when the pose moved."""

    def __init__(
        self,
        pixels: tuple[Pixels, Pixels],
        origins: NDArray[np.int32],
        size: tuple[int, int],
        lean: NDArray[np.float32],
        beyond: NDArray[np.complex128] | None,
    ) -> None:
        self.pixels, self.origins, self.size, self.beyond = pixels, origins, size, beyond
        self.half = np.float32(0.5) * lean
        self.first = kernel.windows(pixels[0], 1, origins - 1, RING, self.half)
        self.first_at = np.arange(len(origins), dtype=np.int64) * (RING * RING)
        self.second_at = np.arange(len(origins), dtype=np.int64) * (WINDOW * WINDOW)

    def aim(self, pose: Similarity) -> None:
        """Cut the second frame's windows out around where ``pose`` takes each block."""
        m = to_matrix(pose, centre_of(self.size))
        moved = (self.origins + (BLOCK - 1) / 2) @ m[:, :2].T + m[:, 2]
        if self.beyond is not None:
            moved = moved + self._beyond(m)
        self.corners = np.floor(moved - (WINDOW - 1) / 2 + 0.5).astype(np.int32)
        self.second = kernel.windows(self.pixels[1], 1, self.corners, WINDOW, -self.half)
        edge = (WINDOW - RING) // 2
        last = np.array(self.size) - RING - edge
        self.whole = ((self.corners >= -edge) & (self.corners <= last)).all(axis=1)

    def equations(self, pose: Similarity) -> NDArray[np.float64]:
        """Every block's equations under ``pose`` (see `fit_calls`); blocks that reach out of the second frame have none."""
        matrix = to_matrix(pose, centre_of(self.size))
        if self.beyond is not None:
            own = np.repeat(matrix[None], len(self.origins), axis=0)
            own[:, :, 2] += self._beyond(matrix)
            matrix = own
        moments = kernel.sums(
            self.origins, self.first, self.first_at, self.second, self.second_at, self.corners, matrix
        )
        moments[~self.whole] = 0
        return fit_calls.equations(moments)

    def _beyond(self, matrix: NDArray[np.float64]) -> NDArray[np.float64]:
        """(K, 2) px of the second frame by which blocks lie off their pose."""
        assert self.beyond is not None  # noqa: S101 - asked for only then
        return np.stack([self.beyond.real, self.beyond.imag], axis=1) @ matrix[:, :2].T


def _moved_by(step: NDArray[np.float64]) -> Similarity:
    return Similarity(complex(1 + step[2], step[3]), complex(step[0], step[1]))


@dataclass(frozen=True, kw_only=True)
class _Settled:
    pose: Similarity
    blocks: NDArray[np.float64]  # as `_Windows.equations` gives them, at the last pass
    fit: fit_calls.Fit


def _settle(
    windows: _Windows,
    pose: Similarity,
    middles: tuple[NDArray[np.float64], NDArray[np.float64]],
    weights: NDArray[np.float64],
    passes: int,
) -> _Settled | None:
    """The pose that the blocks agree on, from one nearby; None where they do not say enough."""
    reach = abs(centre_of(windows.size))
    moved, settled = np.inf, None
    for _ in range(max(passes, 1)):
        if moved > _READ_AGAIN:
            windows.aim(pose)
            moved = 0.0
        blocks = windows.equations(pose)
        fit = fit_calls.fit(blocks, *middles, weights, 1.0)
        if fit is None:
            return None
        pose = pose.after(_moved_by(fit.step))
        settled = _Settled(pose=pose, blocks=blocks, fit=fit)
        length = abs(complex(*fit.step[:2])) + abs(complex(*fit.step[2:])) * reach
        moved += length
        if length < _STILL:
            break
    return settled


@dataclass(frozen=True, kw_only=True)
class LinkEnd:
    """One of the two frames of a link."""

    place: int
    """In the stack, from 0."""
    view: FrameView
    """Its pixels are taken as linear light."""
    sharpness: CellSharpness


@dataclass(frozen=True, kw_only=True)
class SeenTilt:
    """Depth of the scene, as one frame sees it."""

    tilt: Tilt
    """In the cells of the reference."""
    pose: Similarity
    """The frame's, from the reference."""

    def at(
        self, places: NDArray[np.complex128], centre: complex
    ) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
        """Depth and its rise at ``places``, px from the frame's centre, in the frame's own geometry."""
        there = (places - self.pose.t) / self.pose.a + centre
        depth, rise = self.tilt.at(there.real, there.imag)
        return depth, rise / np.conj(self.pose.a)


def astray(
    place: NDArray[np.complex128],
    residual: NDArray[np.float64],
    weight: NDArray[np.float64],
    known: NDArray[np.float64],
) -> float:
    """How far, px, a pose may err in common with most of its blocks, from how these contradict each other.

    Noise alone averages out. What does not is light that spreads: rims of disks out of focus move by as much as blur grows
    and are measured as exactly as what is in focus; and dust or a mosaic, which stay where they are. What changes smoothly
    over the picture is no contradiction: frames may be bent.

    Parameters
    ----------
    place
        (K,) x + iy of the blocks, px from the centre.
    residual, weight, known
        As of `FineLink`.
    """
    total = float(weight.sum())
    if not total > 0:
        return 0.0
    unit = max(float(np.abs(place).max()), 1.0)
    x, y = place.real / unit, place.imag / unit
    smooth = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    normal = np.einsum("ik,jk,k->ij", smooth, smooth, weight / total) + _HELD * np.eye(len(smooth))
    terms = np.linalg.solve(normal, np.einsum("ik,kc,k->ic", smooth, residual, weight / total))
    u, v = (residual - np.einsum("ik,ic->kc", smooth, terms)).T
    square = known[:, 0] * u * u + 2 * known[:, 1] * u * v + known[:, 2] * v * v
    misfit = weighted_median(square, known[:, 0] + known[:, 2]) / _CHI_MEDIAN
    scatter = float((weight * (u * u + v * v)).sum()) / total
    beyond = scatter * max(1 - _USUAL_MISFIT / max(misfit, 1e-9), 0.0)
    return float(_ASTRAY * beyond**1.5)


def fine_link(
    first: LinkEnd,
    second: LinkEnd,
    start: Similarity,
    *,
    size: tuple[int, int],
    tuning: Tuning,
    seen: SeenTilt,
    growth: bool = False,
    beyond: Callable[[NDArray[np.complex128]], NDArray[np.complex128]] | None = None,
) -> FineLink | None:
    """Measure a link at full size from the pose ``start``; None where no block says anything.

    Parameters
    ----------
    start
        Pose from the first frame to the second, right to a few pixels: windows reach 4 px beyond a block.
    size
        Width and height of a frame, px.
    seen
        Depth as the first frame sees it.
    growth
        Whether to say by how much each frame's blur grows with depth as well.
    beyond
        From places in the first frame, px from its centre, to the px of it by which they are expected off the pose; that
        is part of the residual then.

    Notes
    -----
    The blocks' own shifts are fitted robustly (`fit_calls.fit`), in at most ``tuning.passes`` rounds. The time grows with
    the number of blocks, not with the size of the frames.
    """
    centre = centre_of(size)
    chosen = choose_blocks(first.sharpness, second.sharpness, start, size=size, tuning=tuning)
    if not len(chosen.origins):
        return None
    middle = chosen.origins + (BLOCK - 1) / 2 - (centre.real, centre.imag)
    x, y = np.asarray(middle[:, 0], np.float64), np.asarray(middle[:, 1], np.float64)
    pixels = (_in_light(first.view), _in_light(second.view))
    depth, rise = seen.at(x + 1j * y, centre)
    lean = lean_of(rise, seen.tilt.growth * (second.place - first.place))
    off = None if beyond is None else beyond(x + 1j * y)
    windows = _Windows(pixels, chosen.origins, size, lean, off)
    settled = _settle(windows, start, (x, y), chosen.weights, tuning.passes)
    if settled is None:
        return None
    blocks, fit = settled.blocks, settled.fit
    known = fit_calls.information(blocks, chosen.weights)
    informed = np.where(blocks[:, 5] >= 0, blocks[:, 7] * chosen.weights, 0)
    return FineLink(
        first=first.place,
        second=second.place,
        pose=settled.pose,
        information=fit.information,
        x=x,
        y=y,
        residual=fit.residual if off is None else fit.residual + np.stack([off.real, off.imag], axis=1),
        weight=fit.weight,
        known=known,
        astray=astray(x + 1j * y, fit.residual, fit.weight, known),
        growth=growth_of(blocks[:, 6], informed, depth, 0.5 * (first.place + second.place))
        if growth
        else None,
        doubt=tuning.full_sharp / chosen.full,
    )


def _in_light(view: FrameView) -> Pixels:
    return replace(view.pixels, table=view.light)
