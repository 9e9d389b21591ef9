"""Coarse links between pictures of what repeats itself: bricks, meshes, cloth. The pictures' own shift is the truth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.register import Tuning
from nearfar.merge.register.coarse import CoarseLink, coarse_link
from nearfar.merge.register.pictures import coarse_levels, reduce_frame
from tests.worker.merge.brackets import texture
from tests.worker.merge.register.views import views_of

SIZE = (480, 360)
BRICK = (48, 20)
EDGE = 80


def wall(rng: np.random.Generator, *, thing: bool) -> NDArray[np.float64]:
    """Bricks in rows that are laid half a brick apart, all alike but for a faint grain, and perhaps a thing before them."""
    w, h = SIZE[0] + 2 * EDGE, SIZE[1] + 2 * EDGE
    y, x = np.indices((h, w))
    along = (x + (y // BRICK[1] % 2) * (BRICK[0] // 2)) % BRICK[0]
    mortar = cv2.GaussianBlur(((along < 3) | (y % BRICK[1] < 3)).astype(np.float32), (0, 0), 0.8)
    seen = np.asarray(0.35 + 0.3 * mortar, np.float64)[..., None] + 0.002 * rng.standard_normal((h, w, 3))
    if thing:
        seen[200:300, 220:320] = texture(rng, (100, 100), contrast=0.15)
    return seen


def linked(seen: NDArray[np.float64], shift: tuple[int, int]) -> CoarseLink:
    """The link of two views of a wall; what lies at x in the first lies at x + shift in the second."""

    def cut(dx: int, dy: int) -> NDArray[np.uint16]:
        part = seen[EDGE - dy : EDGE - dy + SIZE[1], EDGE - dx : EDGE - dx + SIZE[0]]
        return np.round(np.clip(part, 0, 1) * 65535).astype(np.uint16)

    one, two = (reduce_frame(v, coarse_levels(SIZE)) for v in views_of([cut(0, 0), cut(*shift)], sigma=0.004))
    return coarse_link(one, two, size=SIZE, tuning=Tuning())


@pytest.mark.parametrize("shift", [(20, 1), (26, -2), (-30, 14), (46, 3), (-15, -30)])
def test_where_one_thing_is_unlike_the_rest_it_decides(
    rng: np.random.Generator, shift: tuple[int, int]
) -> None:
    link = linked(wall(rng, thing=True), shift)
    assert link.holds
    assert abs(link.pose.t - complex(*shift)) < 1.0


@pytest.mark.parametrize("shift", [(20, 1), (30, 2), (-46, 3), (-15, -30)])
def test_where_nothing_tells_the_smallest_shift_is_taken(
    rng: np.random.Generator, shift: tuple[int, int]
) -> None:
    """No place is further than 24.4 px from one that looks the same: the radius of the circle around the triangle of three
    bricks that lie together, a b c / 4 A with sides of 48, 31.2 and 31.2 px.
    """
    link = linked(wall(rng, thing=False), shift)
    assert link.holds
    assert abs(link.pose.t) < 25
