"""What a similarity leaves over: a smooth field of displacements, as parallax or a lens's distortion makes it.

Each link's blocks tell how far they are from the fitted similarity; a quadratic in x and y through that is what the
link leaves over. From the reference outward the links' fields add up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.fine import FineLink

_RIDGE = 0.02  # of the mean information: a field must be borne by many blocks
_LEAST_BLOCKS = 24


@dataclass(frozen=True, kw_only=True)
class LeftOver:
    """Largest RMS (px) over a frame's measured blocks, and the place of that frame."""

    size: float
    place: int


def _basis(link: FineLink, radius: float) -> NDArray[np.float64]:
    """(K, 6): 1, x, y, xx, xy, yy in units of the picture's RMS radius."""
    x, y = link.x / radius, link.y / radius
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _field_of(link: FineLink, radius: float) -> NDArray[np.float64]:
    """(6, 2) quadratic through the residuals of a link's blocks; zero where too few were measured."""
    if int((link.weight > 0).sum()) < _LEAST_BLOCKS:
        return np.zeros((6, 2))
    basis = _basis(link, radius)
    weighted = basis * link.weight[:, None]
    normal = basis.T @ weighted
    normal += _RIDGE * np.trace(normal) / 6 * np.eye(6)
    return np.asarray(np.linalg.solve(normal, weighted.T @ link.residual))


def left_over(links: Sequence[FineLink], count: int, reference: int, *, radius: float) -> LeftOver:
    """The worst of what similarities leave over between the reference and any of ``count`` frames."""
    step = {link.first: link for link in links if link.second == link.first + 1}
    worst = LeftOver(size=0.0, place=reference)
    for way in (range(reference, count - 1), range(reference - 1, -1, -1)):
        total = np.zeros((6, 2))
        for k in way:
            if k not in step:
                continue
            link = step[k]
            total = total + _field_of(link, radius)
            moved = _basis(link, radius) @ total
            share = link.weight / max(float(link.weight.sum()), 1e-300)
            size = float(np.sqrt(share @ (moved**2).sum(axis=1)))
            if size > worst.size:
                worst = LeftOver(size=size, place=k if k < reference else k + 1)
    return worst
