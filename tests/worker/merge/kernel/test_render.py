"""Tiles of the picture: the kernel against its specification, whatever the tile, the threads and the memory before."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge.kernel import picture_calls, twin_render
from tests.scenes.scene import render
from tests.worker.merge.brackets import focused
from tests.worker.merge.kernel.stacks import (
    LAYOUTS,
    NUMBERS,
    assert_same,
    by_tiles,
    frames_of,
    random_stack,
    similarity,
    tile_kernel,
)

CASES: dict[str, dict[str, Any]] = {
    "16 bit": {},
    "8 bit": {"dtype": np.uint8},
    "gains": {"tables": True},
    "far first": {"order": -1, "n": 6},
    "order unknown": {"order": 0},
    "one pixel": {"size": (1, 1)},
    "one column": {"size": (1, 70)},
    "two rows": {"size": (90, 2)},
    "5 x 3": {"size": (5, 3)},
    "odd": {"size": (65, 63)},
    "one frame": {"n": 1},
    "many frames": {"n": 24, "size": (70, 50), "admitted": 0.3},
    "strong scale and roll": {"most_scale": 0.05, "most_roll": 0.06},
    "very strong scale and roll": {"most_scale": 0.4, "most_roll": 0.17},
    "large shifts": {"most_shift": 60.0},
    "frames that miss the picture": {"most_shift": 400.0},
    "each cell one frame": {"admitted": 0.05, "sole": True, "n": 6, "size": (150, 120)},
    "bent": {"most_bend": 3.0, "size": (150, 120)},
    "bent, strong scale and roll": {"most_bend": 5.0, "most_scale": 0.4, "most_roll": 0.17},
    "bent far": {"most_bend": 12.0, "most_roll": 0.05, "size": (330, 90)},
    "little noise": {"variance": 1e-8},
    "much noise": {"variance": 1e-2},
}

LUMA = np.array([0.299, 0.587, 0.114])


@pytest.mark.parametrize("name", CASES)
def test_tiles_are_what_is_specified_bit_for_bit(rng: np.random.Generator, name: str) -> None:
    stack = random_stack(rng, **CASES[name])
    expected = twin_render.render(stack)
    assert_same(by_tiles(stack, 64), expected)
    assert_same(by_tiles(stack, 256, before=0xFF), expected)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_how_frames_lie_in_memory_changes_no_bit(rng: np.random.Generator, dtype: Any) -> None:
    stack = random_stack(rng, size=(150, 70), dtype=dtype)
    expected = twin_render.render(stack)
    for layout in LAYOUTS:
        assert_same(by_tiles(stack, 128, layout=layout), expected)


def hostile(rng: np.random.Generator, n: int, size: tuple[int, int]) -> list[NDArray[np.uint16]]:
    """Frames without anything in common: noise over the full range, or black and white pixels at random."""
    shape = (size[1], size[0], 3)
    noise = [rng.integers(0, 65536, shape).astype(np.uint16) for _ in range(n)]
    return [f if k % 2 else np.where(f > 32767, 65535, 0).astype(np.uint16) for k, f in enumerate(noise)]


@pytest.mark.parametrize("seed", range(24))
def test_no_random_stack_tells_tiles_from_the_whole(seed: int) -> None:
    """Whatever reached further than the halo of a tile would show as a difference to the picture in one window."""
    rng = np.random.default_rng([seed, 7])
    size, n = (int(rng.integers(1, 230)), int(rng.integers(1, 200))), int(rng.integers(1, 7))
    stack = random_stack(
        rng,
        size=size,
        n=n,
        order=int(rng.integers(-1, 2)),
        admitted=float(rng.choice([0, 0.05, 0.3, 0.8])),
        sole=bool(seed % 2),
        most_roll=float(rng.choice([0, 0.004, 0.04])),
        most_scale=float(rng.choice([0, 0.004, 0.04])),
        most_shift=float(rng.choice([0, 0.4, 6, 90])),
        tables=bool(rng.integers(2)),
        variance=float(rng.choice([1e-7, 2e-5, 1e-3])),
        pictures=hostile(rng, n, size) if seed % 3 == 0 else None,
    )
    silent = rng.random(stack.prior.shape) < 0.5 * (seed % 5 == 0)
    stack = replace(stack, prior=np.where(silent, 0, stack.prior).astype(np.uint16))
    expected = twin_render.render(stack)
    for tile in (64, 128, 256):
        assert_same(by_tiles(stack, tile, layout=LAYOUTS[seed % len(LAYOUTS)]), expected)


def test_tile_threads_and_what_memory_held_before_change_no_bit(rng: np.random.Generator) -> None:
    size = (403, 290)
    stack = random_stack(rng, size=size, n=5, admitted=0.4, pictures=hostile(rng, 5, size))
    first = by_tiles(stack, 128, before=0)
    assert first.picture.any()
    for tile in (64, 128, 256):
        for threads in (1, 2):
            for before in (0xA5, 0xFF):
                assert_same(by_tiles(stack, tile, threads=threads, before=before), first)


def test_work_memory_that_is_too_small_is_told_and_nothing_is_written(rng: np.random.Generator) -> None:
    stack = random_stack(rng, n=5)
    out = np.full((64, 64, 3), 77, np.uint16)
    places, share = np.full((32, 32), 77, np.uint16), np.zeros(5)
    work = np.empty(picture_calls.render_bytes(64, 5) - 1, np.uint8)
    used = tile_kernel(stack).render(64, 0, 0, out, places, share, work)
    assert used == -5
    assert (out == 77).all()
    assert (places == 77).all()
    assert not share.any()


def test_a_tile_without_a_frame_is_refused(rng: np.random.Generator) -> None:
    stack = random_stack(rng)
    stack = replace(stack, admitted=np.zeros_like(stack.admitted))
    work = np.empty(picture_calls.render_bytes(64, 4), np.uint8)
    out, places = np.zeros((64, 64, 3), np.uint16), np.zeros((32, 32), np.uint16)
    used = tile_kernel(stack).render(64, 0, 0, out, places, np.zeros(4), work)
    assert used == 0
    with pytest.raises(WorkFailed, match="focus map is damaged"):
        picture_calls.checked_frames(used)


@pytest.mark.parametrize(
    ("scale", "roll"), [(1.0, 0.3), (2.2, 0.0), (0.4, 0.0), (float("nan"), 0.0)], ids=str
)
def test_poses_that_a_tile_has_no_room_for_are_refused(
    rng: np.random.Generator, scale: float, roll: float
) -> None:
    stack = random_stack(rng, n=3)
    poses = stack.poses.copy()
    poses[2] = similarity(scale, roll, (0, 0), stack.size)
    with pytest.raises(WorkFailed, match="frame 3.*rolled.*scaled.*--reference"):
        tile_kernel(replace(stack, poses=poses))


def of_scene(kind: str, frames: int, dtype: Any) -> tuple[twin_render.Stack, NDArray[np.float32]]:
    """A rendered bracket with the renderer's poses, through the focus step; and what it would truly show."""
    scene = render(kind, frames=frames, size=(256, 192), use_cache=False)
    pictures = [np.ascontiguousarray(f) for f in scene.frames]
    if dtype == np.uint8:
        pictures = [np.round(f / 257).astype(np.uint8) for f in pictures]
    made = focused(pictures, poses=list(scene.poses))
    numbers = NUMBERS | {
        name: NUMBERS[name] * float(b)
        for name, b in zip(("band0", "band1"), made.noise.bands[:2], strict=True)
    }
    stack = twin_render.Stack(
        size=(256, 192),
        samples=pictures,
        tables=[None] * frames,
        poses=scene.poses,
        prior=made.prior,
        admitted=made.admitted,
        variance=made.found.variance,
        order=1,
        numbers=twin_render.Numbers(**numbers),
    )
    return stack, scene.truth


@pytest.mark.parametrize(
    ("kind", "frames", "dtype"), [("hairs", 8, np.uint16), ("doorways", 5, np.uint8), ("dome", 10, np.uint16)]
)
def test_a_rendered_scene_is_as_specified_and_nearer_to_its_truth_than_any_frame(
    kind: str, frames: int, dtype: Any
) -> None:
    stack, truth = of_scene(kind, frames, dtype)
    expected = twin_render.render(stack)
    for tile in (64, 128, 256):
        assert_same(by_tiles(stack, tile), expected)
    inner = np.s_[16:-16, 16:-16]
    error = np.square(expected.picture / np.float32(65535) - truth)[inner].mean()
    at_rest = stack.samples[frames // 2] / np.float32(np.iinfo(dtype).max)
    assert error < 0.6 * np.square(at_rest - truth)[inner].mean()


def at_rest(pictures: list[NDArray[Any]], **changes: Any) -> twin_render.Stack:
    """A stack of frames that lie on each other, all admitted everywhere."""
    rng = np.random.default_rng(3)
    size = (pictures[0].shape[1], pictures[0].shape[0])
    stack = random_stack(
        rng,
        size=size,
        n=len(pictures),
        pictures=pictures,
        admitted=1.0,
        most_roll=0,
        most_scale=0,
        most_shift=0,
    )
    return replace(stack, variance=np.full_like(stack.variance, 2e-5), **changes)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_frames_that_are_all_the_same_become_that_frame(rng: np.random.Generator, dtype: Any) -> None:
    """But for the step in which colours are held, 65535 / 24576, that is 1.34 of 65535 to either side, and for detail that
    the colours have not in common: of it a tenth of the noise's deviation (295) may go, of luma's a thirtieth."""
    (frame,) = frames_of(rng, (100, 80), 1, dtype)
    picture = by_tiles(at_rest([frame] * 4), 64).picture.astype(np.int64)
    expected = frame.astype(np.int64) * (65535 // int(np.iinfo(dtype).max))
    assert np.abs((picture - expected) @ LUMA).max() <= 10
    assert np.abs(picture - expected).max() <= 30


def test_a_place_without_detail_keeps_its_brightness(rng: np.random.Generator) -> None:
    """No prior and no energy anywhere: clipped highlights, a plain wall."""
    for level in (0, 20000, 65535):
        stack = at_rest([np.full((80, 100, 3), level, np.uint16)] * 3)
        stack = replace(stack, prior=np.zeros_like(stack.prior))
        made = by_tiles(stack, 64)
        assert np.abs(made.picture.astype(np.int64) - level).max() <= 2
        assert (made.frame_map >= 256).all()


def test_each_place_comes_from_the_frame_that_is_sharp_there(rng: np.random.Generator) -> None:
    """Left half sharp in one frame, right half in the other; elsewhere they are blurred."""
    frames = frames_of(rng, (128, 96), 7, np.uint16, noise=0.0)
    sharp, soft = frames[3], frames[0]
    left, right = soft.copy(), soft.copy()
    left[:, :64], right[:, 64:] = sharp[:, :64], sharp[:, 64:]
    stack = at_rest([left, right], order=0)
    stack = replace(stack, prior=np.full_like(stack.prior, picture_calls.PRIOR_UNIT))
    made = by_tiles(stack, 64)
    error = np.abs(made.picture.astype(float) - sharp).mean()
    assert error < 0.15 * np.abs(soft.astype(float) - sharp).mean()
    assert np.median(made.frame_map[:, :28]) == 256
    assert np.median(made.frame_map[:, 36:]) == 512
    assert made.share.sum() == pytest.approx(made.frame_map.size)
    np.testing.assert_allclose(made.share / made.share.sum(), 0.5, atol=0.05)


def test_frames_that_agree_are_averaged(rng: np.random.Generator) -> None:
    """Nine plain frames: all that noise allows would be 1/3 of one frame's; white is 1. Colours are quieter than luma."""
    sigma = 0.0045
    frames = [
        np.round((0.5 + rng.normal(0, sigma, (128, 128, 3))) * 65535).astype(np.uint16) for _ in range(9)
    ]
    stack = at_rest(frames, order=0)
    stack = replace(stack, prior=np.zeros_like(stack.prior))
    picture = by_tiles(stack, 128).picture[16:-16, 16:-16] / 65535
    left = (picture @ LUMA).std() / np.linalg.norm(LUMA) / sigma
    assert 0.3 < left < 0.5
    assert picture.std() / sigma < 0.8 * left


def test_a_frame_that_differs_by_far_more_than_noise_is_not_averaged_in(rng: np.random.Generator) -> None:
    """What moved through one frame must not show as a ghost."""
    (frame,) = frames_of(rng, (128, 96), 1, np.uint16)
    ghost = frame.copy()
    ghost[30:60, 40:90] = 65535 - ghost[30:60, 40:90] // 2
    stack = at_rest([frame, frame, ghost], order=0)
    prior = np.full_like(stack.prior, picture_calls.PRIOR_UNIT)
    prior[:, 2] = 0
    admitted = stack.admitted.copy()
    made = by_tiles(replace(stack, prior=prior, admitted=admitted), 64).picture.astype(np.int64)
    without = by_tiles(at_rest([frame, frame], order=0), 64).picture.astype(np.int64)
    plain = np.s_[34:56, 44:86]
    assert np.abs((made - without) @ LUMA)[:26, :36].max() <= 10
    assert np.abs(made - without)[:26, :36].max() <= 30  # a tenth of the noise
    assert np.median(np.abs(made - without)[plain]) < 0.02 * 65535


def test_where_a_frame_ends_the_others_go_on(rng: np.random.Generator) -> None:
    """The second frame is the sharper one, but covers the right part of the picture only."""
    frames = frames_of(rng, (128, 96), 3, np.uint16, noise=0.0)
    sharp, soft = frames[1], frames[0]
    stack = at_rest([soft, np.roll(sharp, -50, axis=1)], order=0)
    poses = stack.poses.copy()
    poses[1] = similarity(1, 0, (-50, 0), stack.size)
    stack = replace(stack, poses=poses, prior=np.full_like(stack.prior, picture_calls.PRIOR_UNIT))
    made = by_tiles(stack, 64)
    assert_same(made, twin_render.render(stack))
    assert np.median(made.frame_map[:, :24]) == 256
    assert np.median(made.frame_map[:, 30:-3]) > 480
    left = made.picture[:, :40].astype(float) - soft[:, :40]
    assert np.abs(left @ LUMA).max() <= 40
    assert np.abs(left).max() <= 100  # a third of the noise


def test_half_size_is_the_mean_of_2_by_2(rng: np.random.Generator) -> None:
    """Outside reference: NumPy's mean in double precision, an odd edge repeated; halves are rounded up."""
    for size in ((1, 1), (1, 6), (7, 5), (64, 33)):
        for channels in (1, 3):
            picture = rng.integers(0, 65536, (*size, channels)).astype(np.uint16)
            padded = np.pad(picture, ((0, size[0] % 2), (0, size[1] % 2), (0, 0)), mode="edge").astype(float)
            mean = (padded[::2, ::2] + padded[1::2, ::2] + padded[::2, 1::2] + padded[1::2, 1::2]) / 4
            np.testing.assert_array_equal(picture_calls.halve(picture), np.floor(mean + 0.5))
