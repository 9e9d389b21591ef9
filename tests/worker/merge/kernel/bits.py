"""Runs every call of the kernel on small seeded data and prints a digest of what each one made.

A program of its own, since a process opens one library: ``NEARFAR_KERNEL=... python -m tests.worker.merge.kernel.bits``.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.chooser import weights
from nearfar.merge.kernel import picture_calls as picture
from nearfar.merge.kernel import planes
from nearfar.merge.kernel import register_calls as register
from nearfar.merge.kernel.loader import Pixels

WIDTH, HEIGHT, FRAMES, TILE = 176, 144, 5, 128
NUMBERS = {
    "channel": 0.7164,
    "band0": 0.2278,
    "band1": 0.0845,
    "prior_weight": 0.1,
    "behind": 0.3,
    "agreement": 0.4,
    "quiet": 3.0,
    "spread": 4e-6,
    "told_flat": 0.4,
    "told_sharp": 0.1,
    "clear": 20.0,
}


def _frames(rng: np.random.Generator, dtype: type[np.unsignedinteger[Any]]) -> list[Pixels]:
    """One texture, blurred differently from frame to frame, with noise."""
    top = np.iinfo(dtype).max
    texture = rng.random((HEIGHT, WIDTH, 3))
    table = (np.arange(top + 1) / top).astype(np.float32)
    frames = []
    for k in range(FRAMES):
        soft = texture
        for _ in range(k):
            soft = (soft + np.roll(soft, 1, 0) + np.roll(soft, 1, 1) + np.roll(soft, (1, 1), (0, 1))) / 4
        noisy = np.clip(soft + rng.normal(0, 0.01, soft.shape), 0, 1)
        frames.append(Pixels(samples=np.round(noisy * top).astype(dtype), table=table))
    return frames


def _planes(rng: np.random.Generator) -> list[Pixels]:
    """The same as luma and chroma at half the width and height."""
    frames = _frames(rng, np.uint8)
    blocks = [planes.lay_out(frame.samples, 2) for frame in frames]
    return [Pixels(samples=b, table=frames[0].table, size=(WIDTH, HEIGHT), down=2) for b in blocks]


def _render(
    rng: np.random.Generator, frames: list[Pixels], net: NDArray[np.float32] | None
) -> Iterator[NDArray[Any]]:
    rows, cols = picture.grid_shape(WIDTH, HEIGHT)
    turn, shift = rng.uniform(-0.004, 0.004, (FRAMES, 2)), rng.uniform(-3, 3, (FRAMES, 2))
    poses = np.array([[[1 + a, -b, x], [b, 1 + a, y]] for (a, b), (x, y) in zip(turn, shift, strict=True)])
    kernel = picture.TileKernel(
        size=(WIDTH, HEIGHT),
        frames=[
            picture.TileFrame(pixels=frame, pose=pose, table=frame.table)
            for frame, pose in zip(frames, poses, strict=True)
        ],
        prior=rng.integers(0, picture.PRIOR_UNIT, (rows, FRAMES, cols)).astype(np.uint16),
        admitted=np.ones((rows, FRAMES, cols), np.uint8),
        variance=np.full((rows, cols), 1e-4, np.float32),
        order=1,
        numbers=NUMBERS,
        net=net,
    )
    out = np.zeros((2 * TILE, 2 * TILE, 3), np.uint16)
    frame_map, share = np.zeros((TILE, TILE), np.uint16), np.zeros(FRAMES)
    work = np.empty(picture.render_bytes(TILE, FRAMES, learned=net is not None), np.uint8)
    for y in range(0, HEIGHT, TILE):
        for x in range(0, WIDTH, TILE):
            used = kernel.render(TILE, x, y, out[y:, x:], frame_map[y // 2 :, x // 2 :], share, work)
            picture.checked_frames(used)
    yield from (out, frame_map, share, picture.halve(out))


def outputs() -> Iterator[tuple[str, NDArray[Any]]]:
    """Name and content of everything that is compared."""
    rng = np.random.default_rng(4)
    rows, cols = picture.grid_shape(WIDTH, HEIGHT)
    curve = (np.linspace(0, 1, picture.CURVE_STEPS + 1) ** 2.2).astype(np.float32)
    for name, frames in (
        *((np.dtype(dtype).name, _frames(rng, dtype)) for dtype in (np.uint8, np.uint16)),
        ("planes", _planes(rng)),
    ):
        energy, mean = np.zeros((3, rows, cols), np.float32), np.zeros((rows, cols), np.float32)
        small = np.zeros((HEIGHT // 4, WIDTH // 4), np.uint16)
        picture.measure(frames[0], curve, (0, rows), energy, mean, small)
        pose = np.array([[1.01, -0.02, 0.3], [0.02, 1.01, -0.4]])
        luma = register.luma(frames[1], 2)
        made: list[NDArray[Any]] = [energy, mean, small, luma, register.bandpass(luma)]
        made += [picture.warp_grid(energy[0], pose), picture.blur_grid(energy[1], 1.6)]
        for i, array in enumerate(made):
            yield f"{name} measures {i}", array
        for chooser, net in (("rule", None), ("learned", weights.load().numbers)):
            for i, array in enumerate(_render(rng, frames, net)):
                yield f"{name} render, {chooser} {i}", array


if __name__ == "__main__":
    found = {name: hashlib.sha256(np.ascontiguousarray(a).tobytes()).hexdigest() for name, a in outputs()}
    print(json.dumps(found))
