"""Brackets of `field_kinds` as a camera writes them: `render_field` makes one, with the true poses, depths and picture."""

from __future__ import annotations

import inspect
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import camera, field_kinds, field_lights, field_near, resample, sensor
from tests.scenes.layers import Lens, Stage, overlap
from tests.scenes.scene import MARGIN, Scene, kept, key_of, true_poses

SIZE = (900, 600)
FIELD_KINDS = {**field_kinds.FIELD_KINDS, **field_lights.LIGHT_KINDS, **field_near.NEAR_KINDS}


def render_field(
    kind: str,
    *,
    size: tuple[int, int] = SIZE,
    seed: int = 0,
    converter: bool = False,
    use_cache: bool = True,
) -> Scene:
    """A bracket of one of `FIELD_KINDS`; ``size`` (width, height) scales blur with it. ``converter``: see
    `camera.Sensor`.
    """
    k, (w, h), n = FIELD_KINDS[kind], size, FIELD_KINDS[kind].frames
    reach = k.reach * w / SIZE[0]
    random = np.random.default_rng([seed, 5])
    poses = true_poses(random, n, size, jitter=k.jitter, roll=k.roll, breathing=k.breathing, rail=0.0)
    poses[:, :, 2] += (np.arange(n) - n // 2)[:, None] / (n - 1) * np.array(k.drift)
    seeds = random.integers(1 << 60, size=n)
    camera_used = replace(k.sensor, converter=converter)

    def make() -> dict[str, NDArray[np.generic]]:
        canvas = h + 2 * MARGIN, w + 2 * MARGIN
        surfaces = k.build(np.random.default_rng([seed, 77]), canvas, n)
        lens = Lens(aperture=reach / (n - 1), most=2 * reach)
        stage = Stage(surfaces, lens, canvas, ((canvas[1] - 1) / 2, (canvas[0] - 1) / 2), n // 2)
        stage.prepare()
        out = np.empty((n, h, w, 3), np.uint16)

        def one(i: int) -> None:
            at = resample.inverse(poses[i])
            at[:, 2] += MARGIN
            seen = resample.by_map(stage.frame(i), at, size)
            out[i] = camera_used.develop(np.maximum(seen, 0), np.random.default_rng(int(seeds[i])))

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(one, range(n)))
        still, depth = stage.still()
        inner = slice(MARGIN, MARGIN + h), slice(MARGIN, MARGIN + w)
        return {
            "frames": out,
            "truth": k.sensor.truth(still[inner]),
            "depth": depth[inner],
            "moving": _moving(stage)[inner],
        }

    modules = (camera, field_kinds, field_lights, field_near, inspect.getmodule(render_field))
    text = "".join(inspect.getsource(m) for m in modules if m is not None)
    made = kept(f"field-{kind}-{key_of(kind, size, seed, converter, text)}", make, use=use_cache)
    scene = Scene(
        kind=kind,
        frames=np.asarray(made["frames"], np.uint16),
        truth=np.asarray(made["truth"], np.float32),
        depth=np.asarray(made["depth"], np.float32),
        poses=poses,
        gains_ev=np.zeros(n),
        noise=0.0,
        shot=k.sensor.noise,
        reference=n // 2,
        aperture=reach / (n - 1),
        reach=2 * reach,
        moving=np.asarray(made["moving"], bool),
    )
    grains = sensor.flaws(np.random.default_rng([seed, 9]), size, dust=k.dust)
    return sensor.spoilt(scene, grains) if grains else scene


def _moving(stage: Stage) -> NDArray[np.bool_]:
    """Where something that sways may be seen in any frame."""
    out = np.zeros(stage.canvas, np.uint8)
    for s in stage.surfaces:
        if s.sway is None:
            continue
        seen = np.zeros_like(out)
        inner, outer = overlap(s.at, s.alpha.shape, stage.canvas)
        seen[outer] = s.alpha[inner] > 0
        far = np.ceil(np.abs(s.sway).max(0)).astype(int) + 4
        out = np.maximum(out, cv2.dilate(seen, np.ones((2 * far[1] + 1, 2 * far[0] + 1), np.uint8)))
    return np.asarray(out > 0)
