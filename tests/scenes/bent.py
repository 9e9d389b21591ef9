"""Brackets whose frames no shift, scale and roll takes to one another: a camera that is tilted from frame to frame, and a
lens whose distortion changes with focus. Made of the same blurred pictures as `scene.render`'s.

Place p of a frame, counted from its middle, sees what a frame without the bend would see at p + e(p), with

    p + e(p) = (p + c |p|^2 p) / (1 - g . p):

the perspective of a tilted camera, which is a homography (Hartley and Zisserman, Multiple View Geometry, 2nd edition,
section 2.4), and radial distortion (Brown's first term; D. C. Brown, Close-range camera calibration, Photogrammetric
Engineering 37 (1971)); both from memory.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.scenes import kinds, light, resample
from tests.scenes.light import Floats
from tests.scenes.resample import _pass
from tests.scenes.scene import MARGIN, Poses, Scene, blurred, true_poses

Places = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Distortion:
    """``tilt`` (n, 2): g times the square of half the diagonal; ``radial`` (n,): c times its cube; both in pixels."""

    size: tuple[int, int]
    tilt: Places
    radial: Places

    def moved(self, k: int, x: Places, y: Places) -> tuple[Places, Places]:
        """p + e(p) of frame ``k``, for places of the frame."""
        corner = float(np.hypot(*self.size)) / 2
        px, py = (x - (self.size[0] - 1) / 2) / corner, (y - (self.size[1] - 1) / 2) / corner
        deep = 1 - (self.tilt[k, 0] * px + self.tilt[k, 1] * py) / corner
        grow = (corner + self.radial[k] * (px * px + py * py)) / deep - corner
        return x + grow * px, y + grow * py

    def seen_at(self, k: int, x: Places, y: Places) -> tuple[Places, Places]:
        """The inverse of `moved`: where frame ``k`` shows what lies at (x, y) without its bend."""
        u, v = x, y
        for _ in range(30):
            mx, my = self.moved(k, u, v)
            u, v = u - (mx - x), v - (my - y)
        return u, v


@dataclass(frozen=True, kw_only=True)
class BentScene:
    """A bracket, and how its frames are bent besides their ``scene.poses``."""

    scene: Scene
    distortion: Distortion

    def place(self, k: int, x: Places, y: Places) -> tuple[Places, Places]:
        """Where frame ``k`` shows what the reference's geometry without any bend has at (x, y)."""
        (a, b, c), (d, e, f) = self.scene.poses[k]
        return self.distortion.seen_at(k, a * x + b * y + c, d * x + e * y + f)


def render_bent(
    kind: str,
    *,
    tilt: float = 0.0,
    radial: float = 0.0,
    seed: int = 0,
    frames: int | None = None,
    size: tuple[int, int] | None = None,
    jitter: float = 0.8,
    roll: float = 0.0003,
    noise: float | None = None,
) -> BentScene:
    """A bracket of one of `kinds.KINDS`; the middle frame is not bent.

    Parameters
    ----------
    tilt
        Sigma over the frames, in pixels at the corners.
    radial
        Change over the whole stack, in pixels at the corners.
    """
    made = kinds.KINDS[kind]
    n, (w, h) = frames or made.frames, size or made.size
    reach = made.reach * float(np.sqrt(w * h / 1.08e6)) if kind != "micro" else made.reach * w / 640
    noise = made.noise if noise is None else noise
    base = blurred(kind, frames=n, size=(w, h), seed=seed, reach=reach, rail=0.0)
    random = np.random.default_rng([seed, 6])
    poses = true_poses(random, n, (w, h), jitter=jitter, roll=roll, breathing=made.breathing, rail=0.0)
    tilts = np.clip(random.normal(0, 1, (n, 2)), -2, 2) * tilt
    tilts[n // 2] = 0
    distortion = Distortion(size=(w, h), tilt=tilts, radial=radial * (np.arange(n) - n // 2) / (n - 1))
    seeds = random.integers(1 << 60, size=n)

    def one(i: int) -> NDArray[np.uint16]:
        seen = _seen(light.light_of_16bit()[np.asarray(base["frames"][i])], poses[i], distortion, i)
        grain = np.random.default_rng(int(seeds[i])).standard_normal(seen.shape, np.float32)
        encoded = light.encode(seen) + np.float32(noise) * grain
        return np.rint(np.clip(encoded, 0, 1) * 65535).astype(np.uint16)

    with ThreadPoolExecutor(2) as pool:
        taken = np.stack(list(pool.map(one, range(n))))
    inner = slice(MARGIN, MARGIN + h), slice(MARGIN, MARGIN + w)
    scene = Scene(
        kind=kind,
        frames=taken,
        truth=np.asarray(base["truth"][inner], np.float32),
        depth=np.asarray(base["depth"][inner], np.float32),
        poses=poses,
        gains_ev=np.zeros(n),
        noise=noise,
        shot=0.0,
        reference=n // 2,
        aperture=reach / (n - 1),
        reach=reach,
        moving=np.asarray(base["moving"][inner], bool),
    )
    return BentScene(scene=scene, distortion=distortion)


def _seen(canvas: Floats, pose: Poses, distortion: Distortion, k: int) -> Floats:
    """A frame (h, w, 3) of the canvas, its rows resampled first and then its columns."""
    width, height = distortion.size
    (a, b, c), (d, e, f) = resample.inverse(pose)

    def source(x: Places, y: Places) -> tuple[Places, Places]:
        mx, my = distortion.moved(k, x, y)
        return a * mx + b * my + c + MARGIN, d * mx + e * my + f + MARGIN

    y, x = np.mgrid[:height, :width].astype(np.float64)
    _, down = source(x, y)
    if down.min() < 4 or down.max() > len(canvas) - 5:
        raise ValueError(f"the frame moves farther than the canvas's margin of {MARGIN} px allows")
    rows = np.arange(len(canvas), dtype=np.float64)[:, None]
    columns = np.arange(width, dtype=np.float64)[None]
    y = np.broadcast_to(rows - MARGIN, (len(canvas), width)).copy()
    for _ in range(12):
        y -= source(columns, y)[1] - rows
    mid = _pass(canvas, source(columns, y)[0] - columns, width)
    at = np.arange(height, dtype=np.float64)[:, None]
    return np.ascontiguousarray(_pass(mid.transpose(1, 0, 2), (down - at).T, height).transpose(1, 0, 2))
