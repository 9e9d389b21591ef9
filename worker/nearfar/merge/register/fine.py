"""A link at full size: the blocks that are sharp in both frames, measured where they lie."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.register_calls import BLOCK, RING
from nearfar.merge.register.blocks import block_equations
from nearfar.merge.register.fit import Fit, fit_similarity
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.recipe import RegisterRecipe
from nearfar.merge.register.sharpness import CELL, CellSharpness
from nearfar.merge.register.similarity import Similarity, centre_of, to_matrix

WINDOW = 24
_DENSE = 400  # cells below which blocks overlap by half
_LEAST_WEIGHT = 1e-6
_ENOUGH_CELLS = 200
_LEAST_FULL = 0.05
_READ_AGAIN = 1.0  # px that a pose may move before windows are cut out anew


@dataclass(frozen=True, kw_only=True)
class FineLink:
    """Pose from frame ``first`` to frame ``second`` (places), with its information about (x, y, log scale, roll)."""

    first: int
    second: int
    pose: Similarity
    information: NDArray[np.float64]
    blocks: float  # how many equal blocks it rests on
    x: NDArray[np.float64]  # (K,) full px from the centre
    y: NDArray[np.float64]
    residual: NDArray[np.float64]  # (K, 2)
    weight: NDArray[np.float64]  # (K,)


@dataclass(frozen=True, kw_only=True)
class _Choice:
    origins: NDArray[np.int32]
    weights: NDArray[np.float64]


def _origins(size: tuple[int, int], reduction: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    w, h = size[0] // reduction, size[1] // reduction
    stride = BLOCK if (w // BLOCK) * (h // BLOCK) >= _DENSE else BLOCK // 2
    return np.arange(stride, w - BLOCK, stride), np.arange(stride, h - BLOCK, stride)


def _full_sharpness(sharp: NDArray[np.float32], recipe: RegisterRecipe) -> float:
    """Sharpness that counts fully: what enough cells reach, where the pair shares too few that are really sharp."""
    flat = sharp.ravel()
    enough = min(_ENOUGH_CELLS, max(len(flat) // 8, 1))
    reached = float(np.partition(flat, len(flat) - enough)[len(flat) - enough])
    return float(np.clip(reached, _LEAST_FULL, recipe.full_sharp))


def choose_blocks(
    first: CellSharpness,
    second: CellSharpness,
    pose: Similarity,
    *,
    size: tuple[int, int],
    recipe: RegisterRecipe,
    reduction: int = 1,
) -> _Choice:
    """The blocks that are sharpest in both frames, at most ``recipe.blocks``, with their weights."""
    matrix = to_matrix(pose, centre_of(size), CELL)
    shape = first.relative.shape
    sharp = np.minimum(first.relative, kernel.warp(second.relative, matrix, shape, 0.0))
    energy = np.minimum(first.energy, kernel.warp(second.energy, matrix, shape, 0.0))
    full = _full_sharpness(sharp, recipe)
    least = recipe.least_sharp * full / recipe.full_sharp
    ramp = (sharp.astype(np.float64) - least) / (full - least)
    weight = np.clip(ramp, 0, 1) ** 3 + _LEAST_WEIGHT
    score = weight * energy
    xs, ys = _origins(size, reduction)
    cx = np.minimum((xs * reduction + BLOCK * reduction // 2) // CELL, shape[1] - 1)
    cy = np.minimum((ys * reduction + BLOCK * reduction // 2) // CELL, shape[0] - 1)
    score, weight = score[np.ix_(cy, cx)].ravel(), weight[np.ix_(cy, cx)].ravel()
    keep = np.arange(len(score))
    if len(score) > recipe.blocks:
        least = np.partition(score, len(score) - recipe.blocks)[len(score) - recipe.blocks]
        keep = np.flatnonzero(score >= least)[: recipe.blocks]
    y, x = np.divmod(keep, max(len(xs), 1))
    return _Choice(origins=np.stack([xs[x], ys[y]], axis=1).astype(np.int32), weights=weight[keep])


def _second_windows(
    pixels: Pixels, origins: NDArray[np.int32], pose: Similarity, size: tuple[int, int], reduction: int
) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Windows of the second frame around where the pose takes each block, and their corners."""
    m = to_matrix(pose, centre_of(size), reduction)
    middle = origins + (BLOCK - 1) / 2
    moved = middle @ m[:, :2].T + m[:, 2]
    corners = np.floor(moved - (WINDOW - 1) / 2 + 0.5).astype(np.int32)
    return kernel.windows(pixels, reduction, corners, WINDOW), corners


def _inside(corners: NDArray[np.int32], size: tuple[int, int], reduction: int) -> NDArray[np.bool_]:
    """Windows whose middle part lies in the picture, so that no mirrored pixel is measured."""
    edge = (WINDOW - RING) // 2
    limits = np.array([size[0] // reduction, size[1] // reduction]) - RING - edge
    return np.asarray(((corners >= -edge) & (corners <= limits)).all(axis=1))


def fine_link(
    places: tuple[int, int],
    frames: tuple[FrameView, FrameView],
    sharpness: tuple[CellSharpness, CellSharpness],
    start: Similarity,
    *,
    size: tuple[int, int],
    recipe: RegisterRecipe,
) -> FineLink | None:
    """Measure a link at full size from the pose ``start``; None where no block says anything."""
    centre, pose = centre_of(size), start
    chosen = choose_blocks(*sharpness, pose, size=size, recipe=recipe)
    origins, weights = chosen.origins, chosen.weights
    if not len(origins):
        return None
    pixels = tuple(replace(f.pixels, table=f.light) for f in frames)
    first = kernel.windows(pixels[0], 1, origins - 1, RING)
    first_at = np.arange(len(origins), dtype=np.int64) * (RING * RING)
    second_at = np.arange(len(origins), dtype=np.int64) * (WINDOW * WINDOW)
    x, y = (origins[:, c] + (BLOCK - 1) / 2 - (centre.real, centre.imag)[c] for c in (0, 1))
    ones = np.ones(len(origins))
    fit: Fit | None = None
    moved = np.inf
    for _ in range(recipe.passes):
        if moved > _READ_AGAIN:
            second, corners = _second_windows(pixels[1], origins, pose, size, 1)
            inside, moved = _inside(corners, size, 1), 0.0
        moments = kernel.sums(origins, first, first_at, second, second_at, corners, to_matrix(pose, centre))
        moments[~inside] = 0
        fit = fit_similarity(block_equations(moments), x, y, reduction=ones, weights=weights)
        if fit is None:
            return None
        dx, dy, scale, roll = (float(v) for v in fit.step)
        pose = pose.after(Similarity(1 + scale + 1j * roll, complex(dx, dy)))
        step = abs(complex(dx, dy)) + abs(complex(scale, roll)) * abs(centre)
        moved += step
        if step < 0.003:
            break
    assert fit is not None
    return FineLink(
        first=places[0],
        second=places[1],
        pose=pose,
        information=fit.information,
        blocks=fit.effective,
        x=x,
        y=y,
        residual=fit.residual,
        weight=fit.weight,
    )
