"""How far a picture and its poses are from the truth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.metrics import structural_similarity

from tests.scenes.light import Floats
from tests.scenes.resample import compose, inverse

INTERIOR = 32
"""Pixels at the picture's edges that are not judged."""
LUMA = np.array([0.299, 0.587, 0.114], np.float32)
Mask = NDArray[np.bool_]


def interior(shape: tuple[int, ...], leave_out: Mask | None = None) -> Mask:
    """True away from the picture's edges, where no frame is missing, and outside ``leave_out``."""
    mask = np.zeros(shape[:2], bool)
    mask[INTERIOR:-INTERIOR, INTERIOR:-INTERIOR] = True
    return mask if leave_out is None else mask & ~leave_out


def psnr(picture: Floats, truth: Floats, mask: Mask) -> float:
    """Peak signal to noise in dB of encoded values 0..1 over the mask."""
    error = picture[mask] - truth[mask]
    return float(-10 * np.log10(np.mean(error.astype(np.float64) ** 2) + 1e-12))


def ssim(picture: Floats, truth: Floats, mask: Mask) -> float:
    """Mean structural similarity (Wang et al. 2004, Gaussian window) of luma over the mask."""
    _, each = structural_similarity(  # type: ignore[no-untyped-call]
        picture @ LUMA,
        truth @ LUMA,
        data_range=1.0,
        gaussian_weights=True,
        sigma=1.5,
        use_sample_covariance=False,
        full=True,
    )
    return float(each[mask].mean())


def plain_areas(truth: Floats, mask: Mask) -> Mask:
    """Where the truth itself has next to no detail, with some distance to everything that has."""
    luma = truth @ LUMA
    fine = luma - cv2.GaussianBlur(luma, (0, 0), 2.0)
    busy = cv2.GaussianBlur(fine * fine, (0, 0), 3.0) > 0.0015**2
    near = cv2.dilate(busy.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    return mask & ~near


def noise_ratio(picture: Floats, truth: Floats, mask: Mask, sigma: float) -> float | None:
    """Noise left in plain areas over that of one frame; None where under 1 % of the picture is plain.

    Only what is finer than a Gaussian of sigma 2 counts, so that a faint veil is not taken for noise; white
    noise keeps (1 - 2 k0 + sum k^2) of its variance there.
    """
    plain = plain_areas(truth, mask)
    if plain.mean() < 0.01 or sigma <= 0:
        return None
    error = picture - truth
    fine = error - cv2.GaussianBlur(error, (0, 0), 2.0)
    tap = cv2.getGaussianKernel(17, 2.0)
    left = 1 - 2 * float((tap.max()) ** 2) + float((tap**2).sum() ** 2)
    return float(np.sqrt(np.mean(fine[plain].astype(np.float64) ** 2) / left) / sigma)


def depth_edges(depth: Floats, *, step: float) -> Mask:
    """Places where depth jumps by more than ``step`` frames to a neighbour."""
    jump = np.zeros(depth.shape, bool)
    for axis in (0, 1):
        there = np.abs(np.diff(depth, axis=axis)) > step
        first = [slice(None)] * 2
        first[axis] = slice(0, -1)
        jump[tuple(first)] |= there
    return jump


def _beside_edges(
    picture: Floats, truth: Floats, depth: Floats, mask: Mask, step: float
) -> NDArray[np.float64] | None:
    """Mean error of luma (0..1) from 0 to 47 px beside depth edges; None where there are next to none.

    The error is smoothed (sigma 1) so that a broad veil weighs more than noise.
    """
    edges = depth_edges(depth, step=step)
    if edges[mask].sum() < 200:
        return None
    away = cv2.distanceTransform((~edges).astype(np.uint8), cv2.DIST_L2, 5)
    error = np.abs(cv2.GaussianBlur((picture - truth) @ LUMA, (0, 0), 1.0))
    return np.array([error[mask & (away >= d) & (away < d + 1)].mean() for d in range(48)], np.float64)


def halo_width(picture: Floats, truth: Floats, depth: Floats, mask: Mask, *, step: float) -> float | None:
    """Equivalent width in pixels of the extra error beside depth edges: its integral over its height.

    The level 40 px away is taken off.
    """
    rings = _beside_edges(picture, truth, depth, mask, step)
    if rings is None:
        return None
    extra = np.maximum(rings - rings[40:].mean(), 0)
    return float(extra.sum() / max(extra.max(), 1e-9))


def halo_amount(picture: Floats, truth: Floats, depth: Floats, mask: Mask, *, step: float) -> float | None:
    """How strong a halo is, in levels of 255: the mean error from 2 to 16 px beside depth edges.

    A width alone does not tell: a picture that is better at the edge itself, and the same beside it, has a wider halo.
    """
    rings = _beside_edges(picture, truth, depth, mask, step)
    return None if rings is None else float(255 * rings[2:16].mean())


def pose_error(found: NDArray[np.float64], true: NDArray[np.float64], size: tuple[int, int]) -> float:
    """Root mean square over the picture's area of the distance between two 2x3 maps, in closed form."""
    d = found - true
    turn, middle = d[:, :2], np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    spread = np.array([size[0] ** 2 - 1, size[1] ** 2 - 1]) / 12
    shift = turn @ middle + d[:, 2]
    return float(np.sqrt(shift @ shift + (turn**2 * spread).sum()))


def pose_errors(
    found: list[NDArray[np.float64] | None], true: NDArray[np.float64], reference: int, size: tuple[int, int]
) -> NDArray[np.float64]:
    """Errors of all frames with a pose but the reference, after moving the true poses to that reference."""
    back = inverse(true[reference])
    return np.array(
        [
            pose_error(p, compose(true[k], back), size)
            for k, p in enumerate(found)
            if p is not None and k != reference
        ]
    )
