"""Large stacks for time and memory: full-size JPEG frames with true poses, made fast rather than exact.

One large picture is blurred to a ladder of radii once; each frame blends the two rungs nearest to each place's
radius. That is right for smooth depth; at the steps in depth nothing spreads, which time and memory do not mind.
``python -m tests.scenes.big KIND FRAMES [WIDTH HEIGHT]`` makes one and prints its folder.
"""

from __future__ import annotations

import json
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import files, light, textures
from tests.scenes.disk import disk
from tests.scenes.light import Floats
from tests.scenes.scene import Poses, cache_folder, key_of, true_poses
from tests.scenes.tags import Camera, exif_block, srgb_profile

RUNGS = (0.0, 0.4, 0.8, 1.3, 2.0, 3.0, 4.4, 6.5, 9.5, 14.0, 21.0)
REACH = {"easy": 40.0, "dense": 2.8}
"""Blur radius in pixels from the first to the last frame's depth: a place is sharp in few frames, or in half."""
EDGE = 24
BLOCK = 250


@dataclass(frozen=True, kw_only=True)
class BigStack:
    """``frames``: paths in order; ``poses`` (n, 2, 3) and ``reference`` as in a scene; size is (width, height)."""

    folder: Path
    frames: list[Path]
    poses: Poses
    reference: int
    size: tuple[int, int]


def big(kind: str, frames: int, *, size: tuple[int, int] = (6000, 4000), seed: int = 11) -> BigStack:
    """Make a stack of ``kind`` easy or dense in the cache, or find it there."""
    folder = cache_folder() / f"big-{kind}-{frames}-{size[0]}x{size[1]}-{key_of(seed, _own_text())}"
    if not folder.is_dir():
        draft = Path(tempfile.mkdtemp(prefix="big.", dir=cache_folder()))
        _make(draft, kind, frames, size, seed)
        draft.rename(folder)
    facts = json.loads((folder / "truth.json").read_text())
    return BigStack(
        folder=folder / "frames",
        frames=sorted((folder / "frames").iterdir()),
        poses=np.array(facts["poses"]),
        reference=facts["reference"],
        size=size,
    )


def _own_text() -> str:
    return Path(__file__).read_text()


def _make(folder: Path, kind: str, frames: int, size: tuple[int, int], seed: int) -> None:
    (folder / "frames").mkdir()
    random = np.random.default_rng(seed)
    shape = size[1] + 2 * EDGE, size[0] + 2 * EDGE
    picture, depth = _picture(random, shape)
    ladder = _ladder(picture)
    poses = true_poses(random, frames, size, jitter=0.8, roll=0.0001, breathing=0.001, rail=0.0)
    grain = random.standard_normal((shape[0] + 64, shape[1] + 64, 3), np.float32) * 0.004 * 255
    profile, camera = srgb_profile(), Camera(interval=0.5)

    def one(k: int) -> None:
        seen = _blend(ladder, np.abs(depth - k / (frames - 1)) * np.float32(REACH[kind]))
        frame = _moved(seen, poses[k], size)
        y, x = (k * 37) % 64, (k * 23) % 64
        noisy = cv2.add(frame, grain[y : y + size[1], x : x + size[0]], dtype=cv2.CV_8U)
        stream = files.jpeg(
            np.asarray(noisy, np.uint8), quality=95, exif=exif_block(camera, k), profile=profile
        )
        (folder / "frames" / f"F{k + 1:04d}.jpg").write_bytes(stream)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, range(frames)))
    facts = {"poses": poses.tolist(), "reference": frames // 2}
    (folder / "truth.json").write_text(json.dumps(facts))


def _picture(random: np.random.Generator, shape: tuple[int, int]) -> tuple[NDArray[np.uint8], Floats]:
    """Stone with grain down to the pixel, some parts almost plain; depth 0..1 with slopes, swells and steps."""
    patch = textures.fractal(random, shape, fall=0.66, octaves=10)
    grain = textures.fractal(random, shape, fall=0.9, octaves=5) - np.float32(0.5)
    coarse = textures.spread(textures.fractal(random, (shape[0] // 8, shape[1] // 8), fall=0.5))
    rough = cv2.resize(np.clip(coarse * 2 - 0.35, 0.03, 1).astype(np.float32), shape[::-1])
    value = np.clip((patch - 0.5) * 0.9 + 0.35 + 1.1 * grain * rough, 0.004, 0.95)
    tint = np.stack([1 - 0.3 * coarse, np.full_like(coarse, 0.85), 0.6 + 0.4 * coarse], -1).astype(np.float32)
    colour = value[..., None] * cv2.resize(tint, shape[::-1])
    picture = np.rint(light.encode(cv2.GaussianBlur(colour, (5, 5), 0.5)) * 255).astype(np.uint8)
    y, x = np.mgrid[: shape[0] // 8, : shape[1] // 8].astype(np.float32)
    swell = textures.fractal(random, y.shape, fall=0.3, octaves=9)
    small = 0.75 * y / y.max() + 0.35 * (swell - 0.5) + 0.12 * (np.floor(x / 190) % 2)
    depth = cv2.resize(((small - small.min()) / (small.max() - small.min())).astype(np.float32), shape[::-1])
    return picture, depth


def _ladder(picture: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """The picture blurred in linear light to each rung; wide blurs on a reduced copy."""
    linear = light.decode(np.arange(256, dtype=np.float32) / 255)[picture]
    out = [picture]
    for radius in RUNGS[1:]:
        step = 1 if radius < 4 else 2 if radius < 9 else 4
        part = (
            linear
            if step == 1
            else cv2.resize(linear, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
        )
        part = cv2.filter2D(part, -1, disk(radius / step).astype(np.float32))
        part = np.rint(light.encode(part) * 255).astype(np.uint8)
        out.append(
            part if step == 1 else cv2.resize(part, picture.shape[1::-1], interpolation=cv2.INTER_CUBIC)
        )
    return out


def _blend(ladder: list[NDArray[np.uint8]], radius: Floats) -> NDArray[np.uint8]:
    out = np.empty_like(ladder[0])
    place = np.interp(radius, RUNGS, np.arange(len(RUNGS))).astype(np.float32)
    for top in range(0, out.shape[0], BLOCK):
        for left in range(0, out.shape[1], BLOCK):
            part = slice(top, top + BLOCK), slice(left, left + BLOCK)
            at = place[part]
            total = np.zeros((*at.shape, 3), np.float32)
            for rung in range(int(at.min()), int(np.ceil(at.max())) + 1):
                weight = np.clip(1 - np.abs(at - rung), 0, 1)
                total += weight[..., None] * ladder[rung][part]
            out[part] = np.rint(total)
    return out


def _moved(canvas: NDArray[np.uint8], pose: Poses, size: tuple[int, int]) -> NDArray[np.uint8]:
    """The frame that the pose describes: frame(pose (x, y)) = canvas(x + EDGE, y + EDGE)."""
    forward = pose.copy()
    forward[:, 2] -= pose[:, :2] @ np.array([EDGE, EDGE])
    return np.asarray(
        cv2.warpAffine(canvas, forward, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT),
        np.uint8,
    )


def main() -> None:
    kind, frames, *size = sys.argv[1:]
    w, h = (int(size[0]), int(size[1])) if size else (6000, 4000)
    print(big(kind, int(frames), size=(w, h)).folder)


if __name__ == "__main__":
    main()
