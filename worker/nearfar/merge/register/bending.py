"""What frames are bent by beyond shift, scale and roll: a cubic for each frame, where the links say so beyond doubt.

A camera that tilts, a rail whose steps change the perspective and a lens whose distortion changes with focus all displace
smoothly over the picture. `bend_fit` finds by how much.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nearfar.merge.kernel.bend import MOST_BEND, MOST_STEEP, Bend, per_of
from nearfar.merge.register.bend_fit import F64, INVERTED, SIMILAR, TERMS, Complex, displaced, find_bends
from nearfar.merge.register.fine import FineLink
from nearfar.merge.register.similarity import Similarity, rms_radius

_WORTH, _HARDLY, _SURE = 0.7, 1.2, 3.0
"""Share of the limit, and of its doubt, from which a quick look is followed by a whole fit; how many times its doubt a bend
must be then."""


@dataclass(frozen=True, kw_only=True)
class Corrected:
    """Poses and bends (None: as its pose says) of all frames.

    ``size``: RMS px that shift, scale and roll leave over of what is in focus in the frame at ``place``, which has most of
    it; 0 where that is not beyond doubt. ``left``: RMS px by which parts of neighbouring frames lie apart all the same, at
    the most between the frames ``worst``.
    """

    poses: Sequence[Similarity]
    bends: Sequence[Bend | None]
    terms: F64
    size: float = 0.0
    place: int = 0
    left: float = 0.0
    worst: tuple[int, int] = (0, 0)

    @property
    def bent(self) -> bool:
        """Whether anything was corrected."""
        return any(self.bends)


def correct(
    links: Sequence[FineLink],
    poses: Sequence[Similarity],
    reference: int,
    *,
    size: tuple[int, int],
    limit: float,
    bend: bool,
) -> Corrected:
    """Bend frames where that moves what is in focus by more than ``limit`` px beyond doubt; else all stays as it is."""
    count, radius = len(poses), rms_radius(size)
    straight = Corrected(poses=poses, bends=[None] * count, terms=np.zeros((count, TERMS)))
    if not links:
        return straight
    found = find_bends(links, poses, reference, radius=radius, rounds=1)
    straight = replace(straight, **_most(found.apart, links))
    if not (found.moved > _WORTH * limit).any() or not (found.moved > _HARDLY * found.doubt).any():
        return straight
    found = find_bends(links, poses, reference, radius=radius)
    sure = np.where(found.moved > _SURE * found.doubt, found.moved, 0)
    place = int(np.argmax(sure))
    if not sure[place] > limit:
        return straight
    straight = replace(straight, size=float(sure[place]), place=place)
    bends = [
        None if k == reference else bend_of(found.terms[k], poses[k], size, radius) for k in range(count)
    ]
    if not bend or any(b and (b.largest > MOST_BEND or b.steep > MOST_STEEP) for b in bends):
        return straight
    return replace(
        straight,
        poses=[pose_of(found.terms[k], poses[k], radius) for k in range(count)],
        bends=bends,
        terms=found.terms,
        **_most(found.left, links),
    )


def _most(left: F64, links: Sequence[FineLink]) -> dict[str, Any]:
    """By how much frames lie apart at the most, and which: over a step that more than one link crosses, as the second one
    says. A camera that moves shows in every link over its step; what glints or is clipped misleads single ones.
    """
    size, worst = -1.0, (0, 0)
    for step in sorted({k for link in links for k in range(link.first, link.second)}):
        over = [k for k, link in enumerate(links) if link.first <= step < link.second]
        said = sorted(over, key=lambda k: -left[k])[min(1, len(over) - 1)]
        if left[said] > size:
            size, worst = float(left[said]), (links[said].first, links[said].second)
    return {"left": size, "worst": worst}


def beyond(corrected: Corrected, pair: tuple[int, int], radius: float) -> Callable[[Complex], Complex]:
    """How far places of one frame, from its centre, lie off the pose that leads from it to another, in its pixels."""
    (one, two), terms = (corrected.poses[k] for k in pair), corrected.terms.copy()
    terms[:, :SIMILAR] = 0
    back = one.after(two.inverse())

    def off(p: Complex) -> Complex:
        flat = (p - one.t) / one.a
        z = flat
        for _ in range(INVERTED):
            z = flat - displaced(z, terms[pair[0]], radius)[0]
        there = two.a * (z + displaced(z, terms[pair[1]], radius)[0]) + two.t
        return np.asarray(back.a * there + back.t - p)

    return off


def pose_of(terms: F64, pose: Similarity, radius: float) -> Similarity:
    """The frame's pose with what its terms change of it."""
    t, a = complex(terms[0], terms[1]), complex(terms[2], terms[3]) / radius
    return pose.after(Similarity(1 + a, t))


def bend_of(terms: F64, pose: Similarity, size: tuple[int, int], radius: float) -> Bend:
    """What the terms bend beyond a pose, in the frame's pixels, to 2^-20 px."""
    unit = per_of(size) / radius
    each = (terms[0::2] + 1j * terms[1::2]) * pose.a
    p, q = complex(terms[6], terms[8]) * pose.a / 2, complex(terms[9], -terms[7]) * pose.a / 2
    w, zz, zw, ww = each[2] * unit, (p + q) * unit**2, (p - q) * unit**2, each[5] * unit**2
    z2w, z3, zw2, w3 = each[6:] * unit**3
    cubic = [0, w, -1j * w, zz + zw + ww, 2j * (zz - ww), zw - zz - ww]
    cubic += [z3 + z2w + zw2 + w3, 1j * (3 * z3 + z2w - zw2 - 3 * w3)]
    cubic += [-3 * z3 + z2w + zw2 - 3 * w3, 1j * (-z3 + z2w - zw2 + w3)]
    x, y = terms[6] * unit / radius, terms[7] * unit / radius
    square = np.array([x * x, 2 * x * y + 1j * x * x, y * y + 2j * x * y, 1j * y * y]) * per_of(size) * pose.a
    cubic[6:] = [c + more for c, more in zip(cubic[6:], square, strict=True)]
    values = np.round(np.array(cubic, np.complex128) * 2.0**20) / 2.0**20
    return Bend.of(size, values.real.tolist(), values.imag.tolist())
