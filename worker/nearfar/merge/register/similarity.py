"""The group of similarities, as pairs of complex numbers about the picture's centre.

A similarity (a, t) takes z to a z + t, where z = x + iy is measured from the centre of the full-size picture; log a
is the logarithm of the scale plus i times the roll. About the centre, shift and scale hardly depend on each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Similarity(NamedTuple):
    """z -> a z + t, in full-size pixels about the centre."""

    a: complex
    t: complex

    def after(self, first: Similarity) -> Similarity:
        """The similarity that does ``first`` and then this one."""
        return Similarity(self.a * first.a, self.a * first.t + self.t)

    def inverse(self) -> Similarity:
        """The inverse similarity."""
        return Similarity(1 / self.a, -self.t / self.a)


IDENTITY = Similarity(1 + 0j, 0j)


def centre_of(size: tuple[int, int]) -> complex:
    """Centre of a (width, height) picture; pixel centres lie at integers."""
    return complex((size[0] - 1) / 2, (size[1] - 1) / 2)


def rms_radius(size: tuple[int, int]) -> float:
    """RMS distance of the picture's pixels from its centre along one axis, px: the error per unit of log scale or roll."""
    return float(np.hypot(*size) / np.sqrt(12))


def to_matrix(p: Similarity, centre: complex, reduction: int = 1) -> NDArray[np.float64]:
    """The 2 x 3 matrix in pixel coordinates of the picture reduced ``reduction`` times.

    Pixel i of a reduced picture is the mean of pixels q i .. q i + q - 1, so its centre lies at q i + (q - 1) / 2.
    """
    offset = (reduction - 1) / 2 * (1 + 1j)
    b = (centre + p.t - p.a * centre + p.a * offset - offset) / reduction
    return np.array([[p.a.real, -p.a.imag, b.real], [p.a.imag, p.a.real, b.imag]])


def rounded(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """``matrix`` rounded to 2^-36 in its linear part and to 2^-20 px in its shift.

    That is far below any error of measurement but above the differences between linear algebra libraries, so that pixels
    made from a pose agree to the last bit on every machine.
    """
    step = np.array([2.0**36, 2.0**36, 2.0**20])
    return np.asarray(np.round(matrix * step) / step)


def arrays(poses: Sequence[Similarity]) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """The complex factors a and the shifts t of poses z -> a z + t, (n,) each."""
    both = np.array(poses, np.complex128).reshape(-1, 2)
    return both[:, 0], both[:, 1]
