"""Frames in which nothing is sharp, between a near thing and a far ground: placed by what is left in reduced pictures."""

from __future__ import annotations

import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from nearfar.merge.register import RegisterRecipe
from nearfar.merge.register.sliding import Crew
from nearfar.merge.register.stack import StackRegistration
from tests.scenes import light, resample, similarity, textures
from tests.scenes.layers import Lens, Stage, Surface
from tests.worker.merge.register.views import views_of

SIZE, MARGIN, FRAMES = (560, 420), 40, 11


def _stack(seed: int) -> tuple[list[NDArray[np.uint8]], NDArray[np.float64]]:
    """A flower-sized thing at the first frame's focus before a ground at the last one's; JPEG frames by hand, and poses."""
    random = np.random.default_rng(seed)
    w, h = SIZE
    shape = (h + 2 * MARGIN, w + 2 * MARGIN)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    thing = np.clip(h / 4 - np.hypot(x - shape[1] / 2, y - shape[0] / 2), 0, 1).astype(np.float32)
    every = np.ones(shape, np.float32)
    ground, near = (textures.any_rich(random, shape).astype(np.float32) for _ in range(2))
    surfaces = [
        Surface(colour=ground, alpha=every, depth=every * (FRAMES - 1)),
        Surface(colour=near, alpha=thing, depth=0 * every),
    ]
    middle = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    stage = Stage(surfaces, Lens(aperture=2.2, most=30), shape, middle, FRAMES // 2)
    stage.prepare()
    frames, poses = [], []
    for k in range(FRAMES):
        poses.append(similarity(SIZE, scale=1 + 0.003 * (k - 5), shift=tuple(random.normal(0, 1.5, 2))))
        back = resample.inverse(poses[k]).copy()
        back[:, 2] += MARGIN
        frame = light.encode(resample.by_map(stage.frame(k), back, SIZE))
        frame = frame + 0.006 * random.standard_normal(frame.shape, np.float32)
        eight = np.ascontiguousarray(np.rint(np.clip(frame, 0, 1) * 255), np.uint8)
        frames.append(simplejpeg.decode_jpeg(simplejpeg.encode_jpeg(eight, quality=85)))
    return frames, np.stack(poses)


@pytest.mark.parametrize("seed", [1, 2])
def test_what_is_near_and_what_is_far_lie_right_against_each_other(seed: int) -> None:
    """Over nine steps between two frames of which neither has anything sharp: .35 px at the picture's middle."""
    frames, poses = _stack(seed)
    views = views_of(frames, sigma=0.01)
    crew = Crew(1)
    found = StackRegistration(views, size=SIZE, recipe=RegisterRecipe(), crew=crew, tick=lambda _: None).run(
        None
    )
    middle = np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2, 1])
    ends = []
    for k in (1, FRAMES - 2):
        pose = found.frames[k].pose
        assert pose is not None
        true = resample.compose(poses[k], resample.inverse(poses[found.reference]))
        ends.append(np.linalg.inv(true[:, :2]) @ (pose @ middle - true @ middle))
    assert np.hypot(*(ends[1] - ends[0])) < 0.35
