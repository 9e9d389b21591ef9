"""Small registered stacks, and what kernel and twin make of them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel import picture_calls, twin_survey
from nearfar.merge.kernel.bend import TERMS, Bend
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.twin_render import Numbers, Rendered, Stack

NUMBERS = {
    "channel": 0.781,
    "band0": 0.2574,
    "band1": 0.0852,
    "prior_weight": 0.1,
    "behind": 0.3,
    "agreement": 0.4,
    "quiet": 3.0,
    "spread": 4e-6,
    "told_flat": 0.4,
    "told_sharp": 0.1,
    "clear": 20.0,
}


def identity(samples: NDArray[Any]) -> NDArray[np.float32]:
    top = int(np.iinfo(samples.dtype).max)
    return (np.arange(top + 1) / np.float32(top)).astype(np.float32)


def pixels_of(samples: NDArray[Any], layout: str) -> Pixels:
    """A frame (h, w, 3) as the kernel sees it, in memory as ``layout`` says."""
    h, w, _ = samples.shape
    if layout == "blocks":
        return Pixels(samples=twin_survey.lay_out(samples), table=identity(samples), size=(w, h))
    return Pixels(samples=laid_out(samples, layout), table=identity(samples))


def laid_out(samples: NDArray[Any], layout: str) -> NDArray[Any]:
    """The same (h, w, 3) samples with other strides: a view of rows that may have more in them."""
    h, w, _ = samples.shape
    if layout == "interleaved":
        return np.ascontiguousarray(samples)
    if layout == "planar rows":
        return np.ascontiguousarray(samples.transpose(0, 2, 1)).transpose(0, 2, 1)
    if layout == "planes":
        return np.ascontiguousarray(samples.transpose(2, 0, 1)).transpose(1, 2, 0)
    if layout == "with alpha":
        wide = np.full((h, w, 4), 7, samples.dtype)
        wide[..., :3] = samples
        return wide[..., :3]
    raise ValueError(layout)


LAYOUTS = ("blocks", "interleaved", "planar rows", "planes", "with alpha")


def similarity(
    scale: float, roll: float, shift: tuple[float, float], size: tuple[int, int]
) -> NDArray[np.float64]:
    """Pose that scales and turns about the picture's middle, then shifts."""
    c = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    turn = scale * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    return np.hstack([turn, (c - turn @ c + np.array(shift))[:, None]])


def frames_of(
    rng: np.random.Generator, size: tuple[int, int], n: int, dtype: Any, *, noise: float = 0.004
) -> list[NDArray[Any]]:
    """Frames of one texture of coarse and fine detail with hard edges, blurred the more the farther in number."""
    w, h = size
    top = int(np.iinfo(dtype).max)
    coarse = np.kron(rng.random((-(-h // 9), -(-w // 9), 3)), np.ones((9, 9, 1)))[:h, :w]
    texture = np.where(rng.random((h, w, 1)) < 0.1, rng.random((h, w, 3)), coarse)
    out = []
    for k in range(n):
        soft = texture
        for _ in range(abs(k - n // 2)):
            soft = (soft + np.roll(soft, 1, 0) + np.roll(soft, 1, 1) + np.roll(soft, (1, 1), (0, 1))) / 4
        noisy = soft + rng.normal(0, noise, soft.shape)
        out.append(np.round(np.clip(noisy, 0, 1) * top).astype(dtype))
    return out


def random_stack(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (90, 70),
    n: int = 4,
    dtype: Any = np.uint16,
    order: int = 1,
    admitted: float = 0.5,
    sole: bool = False,
    most_roll: float = 0.004,
    most_scale: float = 0.004,
    most_shift: float = 3.0,
    most_bend: float = 0.0,
    tables: bool = False,
    variance: float = 2e-5,
    pictures: list[NDArray[Any]] | None = None,
    numbers: dict[str, float] | None = None,
) -> Stack:
    """A stack of which each frame is admitted in a share of all cells, at random.

    Frame 0, the reference, is admitted everywhere; or where ``sole``, every cell has some frame, which may be the
    only one there and need not cover it.
    """
    rows, cols = picture_calls.grid_shape(*size)
    frames = pictures or frames_of(rng, size, n, dtype)
    poses = [similarity(1, 0, (0, 0), size)]
    for _ in range(n - 1):
        scale, roll = 1 + rng.uniform(-most_scale, most_scale), rng.uniform(-most_roll, most_roll)
        shift = rng.uniform(-most_shift, most_shift, 2)
        poses.append(similarity(scale, roll, (shift[0], shift[1]), size))
    let_in = (rng.random((rows, n, cols)) < admitted).astype(np.uint8)
    if sole:
        let_in[np.arange(rows)[:, None], rng.integers(0, n, (rows, cols)), np.arange(cols)[None]] = 1
    else:
        let_in[:, 0] = 1
    curve = identity(frames[0]) ** np.float32(1.03)
    return Stack(
        size=size,
        samples=frames,
        tables=[curve if tables and k % 2 else None for k in range(n)],
        poses=np.stack(poses),
        prior=rng.integers(1, 3 * picture_calls.PRIOR_UNIT, (rows, n, cols)).astype(np.uint16),
        admitted=let_in,
        variance=(variance * rng.uniform(0.5, 2, (rows, cols))).astype(np.float32),
        order=order,
        numbers=Numbers(**(NUMBERS | (numbers or {}))),
        bends=[None, *(random_bend(rng, size, most_bend) for _ in range(n - 1))] if most_bend else None,
    )


def random_bend(rng: np.random.Generator, size: tuple[int, int], most: float) -> Bend:
    """A bend of all its terms together, by ``most`` pixels at the most."""
    x, y = (c / np.abs(c).sum() * most for c in rng.normal(0, 1, (2, TERMS)))
    return Bend.of(size, list(x), list(y))


def tile_kernel(
    stack: Stack, layout: str = "blocks", net: NDArray[np.float32] | None = None
) -> picture_calls.TileKernel:
    return picture_calls.TileKernel(
        size=stack.size,
        frames=[
            picture_calls.TileFrame(
                pixels=pixels_of(samples, layout),
                pose=stack.poses[k],
                table=stack.tables[k],
                bend=stack.bends[k] if stack.bends else None,
                fill=stack.fills[k] if stack.fills else None,
            )
            for k, samples in enumerate(stack.samples)
        ],
        prior=np.ascontiguousarray(stack.prior),
        admitted=np.ascontiguousarray(stack.admitted),
        variance=stack.variance,
        order=stack.order,
        numbers=vars(stack.numbers),
        net=net,
        spots=stack.spots,
    )


def by_tiles(
    stack: Stack,
    tile: int,
    *,
    layout: str = "blocks",
    threads: int = 1,
    before: int = 0xA5,
    net: NDArray[np.float32] | None = None,
) -> Rendered:
    """The picture by the kernel, in tiles. ``before``: what the work memory and the result hold at first."""
    kernel = tile_kernel(stack, layout, net)
    w, h = stack.size
    across, down = -(-w // tile) * tile, -(-h // tile) * tile
    out = np.full((down, across, 3), before * 257, np.uint16)
    frame_map = np.full((down // 2, across // 2), before * 257, np.uint16)
    n = len(stack.samples)

    def one(place: tuple[int, int]) -> NDArray[np.float64]:
        x, y = place
        share = np.zeros(n)
        work = np.full(picture_calls.render_bytes(tile, n, learned=kernel.learned), before, np.uint8)
        used = kernel.render(tile, x, y, out[y:, x:], frame_map[y // 2 :, x // 2 :], share, work)
        assert used > 0
        return share

    places = [(x, y) for y in range(0, h, tile) for x in range(0, w, tile)]
    if threads == 1:
        shares = [one(p) for p in places]
    else:
        with ThreadPoolExecutor(threads) as pool:
            shares = list(pool.map(one, places))
    return Rendered(
        picture=out[:h, :w],
        frame_map=frame_map[: (h + 1) // 2, : (w + 1) // 2],
        share=np.sum(shares, axis=0),
    )


def assert_same(one: Rendered, other: Rendered) -> None:
    """Fail where pictures or maps differ in a bit, or shares by more than the order in which they are summed."""
    np.testing.assert_array_equal(one.picture, other.picture)
    np.testing.assert_array_equal(one.frame_map, other.frame_map)
    np.testing.assert_allclose(one.share, other.share, rtol=1e-9, atol=1e-9)
