"""A bracket over a measured scene: the motorcycle of the Middlebury stereo data (Scharstein et al. 2014).

Left picture and measured disparity come with scikit-image (`skimage.data.stereo_motorcycle`). The photograph is cut
into surfaces where depth jumps; each goes on a little behind what is nearer, so defocus spreads as it would.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

from tests.scenes import light, resample
from tests.scenes.layers import Lens, Stage, Surface
from tests.scenes.light import Floats
from tests.scenes.scene import MARGIN, Scene, expose, kept, key_of, true_poses

BACK, STEPS = 6, 9
"""Rounds of carrying a layer on behind what is nearer; number of layers that depth is cut into."""


def motorcycle(*, frames: int = 12, reach: float = 14.0, noise: float = 0.004, seed: int = 5) -> Scene:
    """Bracket of 741 x 500 pixels; depth is linear in disparity, as defocus is (both go with 1 / distance)."""
    left, _, disparity = skimage.data.stereo_motorcycle()  # type: ignore[no-untyped-call]
    picture = _bordered(left)
    known = _bordered(_filled(np.asarray(disparity, np.float32)))
    low, high = known.min(), known.max()
    depth = ((high - known) / (high - low) * (frames - 1)).astype(np.float32)
    size = left.shape[1], left.shape[0]
    key = f"motorcycle-{key_of(frames, reach)}"
    base = kept(key, lambda: _frames(picture, depth, frames, reach), use=True)
    random = np.random.default_rng(seed)
    poses = true_poses(random, frames, size, jitter=0.8, roll=0.0003, breathing=0.002, rail=0.0)
    made = [
        expose(
            base["frames"][k],
            resample.inverse(poses[k]),
            size,
            ev=0.0,
            noise=noise,
            shot=0.0,
            seed=seed * 1000 + k,
        )
        for k in range(frames)
    ]
    inner = slice(MARGIN, MARGIN + size[1]), slice(MARGIN, MARGIN + size[0])
    return Scene(
        kind="motorcycle",
        frames=np.stack(made),
        truth=np.asarray(base["truth"][inner], np.float32),
        depth=depth[inner],
        poses=poses,
        gains_ev=np.zeros(frames),
        noise=noise,
        shot=0.0,
        reference=frames // 2,
        aperture=reach / (frames - 1),
        reach=reach,
        moving=np.zeros(size[::-1], bool),
    )


def _bordered(picture: NDArray[Any]) -> NDArray[Any]:
    around = (MARGIN, MARGIN)
    return np.pad(picture, (around, around, (0, 0))[: picture.ndim], mode="reflect")


def _filled(disparity: Floats) -> Floats:
    """Disparity where it was not measured: that of the farther neighbour on the row, then a small median."""
    known = np.isfinite(disparity) & (disparity > 0)
    out = np.where(known, disparity, 0).astype(np.float32)
    before, after = out.copy(), out.copy()
    for x in range(1, out.shape[1]):
        before[:, x] = np.where(known[:, x], out[:, x], before[:, x - 1])
    for x in range(out.shape[1] - 2, -1, -1):
        after[:, x] = np.where(known[:, x], out[:, x], after[:, x + 1])
    both = np.where((before > 0) & (after > 0), np.minimum(before, after), np.maximum(before, after))
    both[both == 0] = out[known].min()
    return np.asarray(cv2.medianBlur(np.where(known, out, both).astype(np.float32), 5), np.float32)


def _frames(
    picture: NDArray[np.uint8], depth: Floats, frames: int, reach: float
) -> dict[str, NDArray[np.generic]]:
    linear = light.decode(picture.astype(np.float32) / 255)
    canvas = (depth.shape[0], depth.shape[1])
    lens = Lens(aperture=reach / (frames - 1), most=reach)
    stage = Stage(layered(linear, depth, frames), lens, canvas, (0.0, 0.0), frames // 2)
    stage.prepare()
    made = [np.rint(light.encode(stage.frame(k)) * 65535).astype(np.uint16) for k in range(frames)]
    return {"frames": np.stack(made), "truth": light.encode(stage.still()[0])}


def layered(linear: Floats, depth: Floats, frames: int) -> list[Surface]:
    """Everything at or behind each cut as one surface, far to near, carried on behind what is nearer.

    A nearer surface starts where depth lies before the cut; its rim is soft over one pixel and its own colour
    and depth are carried outward, so no foreign colour comes along.
    """
    whole = np.ones(depth.shape, np.float32)
    cuts = np.quantile(depth, np.linspace(1, 0, STEPS + 1)[1:-1])
    colour, deep = _carried(linear, depth, depth >= cuts[0])
    out = [Surface(colour=colour, alpha=whole, depth=np.maximum(deep, cuts[0]).astype(np.float32))]
    for near, far in zip([*cuts[1:], 0.0], cuts, strict=True):
        inside = depth < far
        colour, deep = _carried(linear, depth, inside & (depth >= near - 1e-6))
        alpha = np.clip(cv2.GaussianBlur(inside.astype(np.float32), (3, 3), 0.5), 0, 1)
        layer = Surface(
            colour=colour, alpha=alpha.astype(np.float32), depth=deep.clip(near, far).astype(np.float32)
        )
        out.append(layer)
    return [replace(s, colour=np.clip(s.colour, 0, 1).astype(np.float32)) for s in out]


def _carried(linear: Floats, depth: Floats, own: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Colour and depth of each place's nearest own place, softened away from it."""
    _, label = cv2.distanceTransformWithLabels(
        (~own).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    places = np.zeros(int(label.max()) + 1, np.int64)
    places[label[own]] = np.flatnonzero(own)
    at = places[label]
    colour, deep = linear.reshape(-1, 3)[at], depth.ravel()[at]
    for _ in range(BACK):
        colour = np.where(own[..., None], linear, cv2.blur(colour, (5, 5)))
    return colour.astype(np.float32), deep.astype(np.float32)
