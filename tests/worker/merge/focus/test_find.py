"""Focus: the frame that is sharpest at each place, plain places filled from around, and which frames are let in."""

from __future__ import annotations

import threading
import time
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.focus.find import covered, in_order
from nearfar.merge.focus.grids import FEW
from nearfar.merge.focus.seen import cell_pose
from nearfar.merge.kernel.picture_calls import PRIOR_UNIT
from nearfar.merge.recipe import FocusRecipe
from tests.scenes.scene import render
from tests.worker.merge.brackets import bracket, cells, focused, ramp, texture
from tests.worker.merge.kernel.stacks import similarity

SIZE = (480, 192)
Random = np.random.Generator


@pytest.fixture
def slope(rng: Random) -> list[NDArray[np.uint16]]:
    """A slope from depth 0 at the left to 7 at the right, in 8 frames."""
    return bracket(rng, texture(rng, SIZE), ramp(SIZE, 0, 7), range(8))


def test_what_no_frame_has_sharp_comes_from_the_one_that_blurs_it_least(rng: Random) -> None:
    """A subject in the left third, and behind it a ground far beyond the last frame, in which no band is above the noise."""
    depth = np.where(np.arange(SIZE[0]) < 160, ramp(SIZE, 0, 14), 12.0)
    made = focused(
        bracket(rng, texture(rng, SIZE), depth, range(8), blur=1.2, noise=0.012), recipe=FocusRecipe()
    )
    ground = made.found.best[:, 14:]
    assert (ground >= 6).mean() > 0.9  # .3 by noise alone
    subject = np.abs(made.found.best[:, :9] - cells(ramp(SIZE, 0, 14))[:, :9])
    assert subject.mean() < 0.5


def test_on_a_slope_the_nearest_frame_is_found(slope: list[NDArray[np.uint16]]) -> None:
    """Depth is known by construction; the nearest of whole frames is off by a quarter on average."""
    made = focused(slope)
    depth = cells(ramp(SIZE, 0, 7))
    for found in (made.found.best, made.found.sharpest):
        error = np.abs(found - depth)
        assert error.mean() < 0.3
        assert error.max() < 1
    assert made.found.certain.min() > 0.9


@pytest.mark.parametrize(("kind", "frames", "least"), [("dome", 12, 0.8), ("doorways", 6, 0.65)])
def test_on_a_rendered_scene_the_depth_is_found(kind: str, frames: int, least: float) -> None:
    """Against the renderer's own depth, in cells that lie at one depth and show anything at all."""
    scene = render(kind, frames=frames, size=(480, 352), use_cache=False)
    made = focused(list(scene.frames), poses=list(scene.poses))
    depth = cells(scene.depth)
    flat = cells(scene.depth**2) - depth**2 < 0.05
    error = np.abs(made.found.best - depth)[flat & (made.found.certain > 0.5)]
    assert (error < 1.5).mean() > least
    assert np.median(error) < 0.6


def test_plain_places_are_filled_from_around(rng: Random) -> None:
    """Two textured walls at depths 1 and 6, each with a patch of clipped white that no band can see."""
    sharp = texture(rng, SIZE)
    depth = np.where(np.arange(SIZE[0]) < 240, 1.0, 6.0) * np.ones((SIZE[1], 1))
    patches = [np.s_[48:144, 48:176], np.s_[48:144, 304:432]]
    for patch in patches:
        sharp[patch] = 1.2
    made = focused(bracket(rng, sharp, depth, range(8), blur=1.0))
    for patch, frame in zip(patches, (1, 6), strict=True):
        rows, cols = (slice(s.start // 16 + 1, s.stop // 16 - 1) for s in patch)
        assert (made.found.best[rows, cols] == frame).all()
        assert (made.admitted[rows, frame, cols] == 1).all()
        assert made.found.certain[rows, cols].min() < 0.1


def test_a_frame_that_is_sharpest_is_let_in_with_its_neighbours(slope: list[NDArray[np.uint16]]) -> None:
    made = focused(slope)
    rows, cols = np.indices(made.found.best.shape)
    for away in (-1, 0, 1):
        index = np.clip(made.found.best + away, 0, 7)
        assert made.admitted[rows, index, cols].all()
    far = np.abs(np.arange(8)[None, :, None] - cells(ramp(SIZE, 0, 7))[:, None]) > 3.5
    assert not made.admitted[far].any()
    assert set(np.unique(made.admitted)) == {0, 1}


def test_the_recipe_says_how_many_frames_are_let_in(slope: list[NDArray[np.uint16]]) -> None:
    few = focused(slope, recipe=FocusRecipe(admit=1.0, peak=1.0, neighbours=0)).admitted.mean()
    usual = focused(slope).admitted.mean()
    many = focused(slope, recipe=FocusRecipe(admit=0.05, neighbours=2)).admitted.mean()
    assert few < usual < many


def test_in_plain_places_more_neighbours_are_let_in(rng: Random) -> None:
    """A clipped sky beside a texture at depth 4."""
    sharp = np.full((SIZE[1], SIZE[0], 3), 1.2)
    sharp[:, :160] = texture(rng, (160, SIZE[1]))
    pictures = bracket(rng, sharp, np.full((SIZE[1], SIZE[0]), 4.0), range(9))
    for count in (1, 2, 3):
        made = focused(pictures, recipe=FocusRecipe(neighbours=count))
        sky = np.s_[:, :, 14:18]
        assert (made.found.best[:, 14:18] == 4).all()
        assert not made.found.certain[:, 14:18].any()
        expected = (np.abs(np.arange(9) - 4) <= count).astype(np.uint8)
        np.testing.assert_array_equal(made.admitted[sky].min(axis=(0, 2)), expected)


def test_the_prior_is_largest_in_the_sharpest_frame(slope: list[NDArray[np.uint16]]) -> None:
    made = focused(slope)
    error = np.abs(made.prior.argmax(axis=1) - cells(ramp(SIZE, 0, 7)))
    assert error.mean() < 0.5
    assert made.prior.max() <= 6 * PRIOR_UNIT + 1, (
        "three bands, the cell and two surroundings, each at most 1"
    )


def test_something_thin_before_a_sharp_ground_is_let_in_too(rng: Random) -> None:
    """A few faint hairs at depth 1 before a ground at depth 8: where they are, frame 1 is a small peak of its own."""
    ground = bracket(
        rng, texture(rng, SIZE, contrast=0.05), np.full((SIZE[1], SIZE[0]), 8.0), range(10), noise=0
    )
    hairs = np.zeros((SIZE[1], SIZE[0], 3))
    hairs[:, 100:400:60] = 0.35
    front = bracket(rng, hairs, np.full((SIZE[1], SIZE[0]), 1.0), range(10), noise=0)
    pictures = [
        np.clip(g.astype(float) + h + rng.normal(0, 200, g.shape), 0, 65535).astype(np.uint16)
        for g, h in zip(ground, front, strict=True)
    ]
    made = focused(pictures)
    on_hair = made.admitted[:, :, 100 // 16 : 400 // 16 : 1]
    columns = sorted({x // 16 for x in range(100, 400, 60)})
    assert made.admitted[:, 1, columns].mean() > 0.95
    assert made.admitted[:, 8, columns].mean() > 0.95
    assert on_hair[:, 5].mean() < 0.3


def test_poses_carry_energies_to_their_place(rng: Random) -> None:
    """Each frame is shifted by another whole number of cells, and the map is the same as without; away from borders."""
    depth = ramp(SIZE, 0, 5)
    pictures = bracket(rng, texture(rng, SIZE), depth, range(6))
    shifts = [(0, 0), (16, 0), (-32, 16), (0, -16), (48, 0), (-16, -32)]
    moved = [np.roll(p, (dy, dx), axis=(0, 1)) for p, (dx, dy) in zip(pictures, shifts, strict=True)]
    made = focused(moved, poses=[similarity(1, 0, shift, SIZE) for shift in shifts])
    inner = np.s_[3:-3, 4:-4]
    np.testing.assert_array_equal(made.found.best[inner], focused(pictures).found.best[inner])


def test_a_brighter_frame_is_not_taken_for_a_sharper_one(rng: Random) -> None:
    """Midway between two frames, one brighter by .4 EV; encoded values go about as the 1 / 2.2th power of light
    (common practice, no source)."""
    gains = [0.0, 0.0, 0.2, -0.2, 0.0, 0.0]
    plane = np.full((SIZE[1], SIZE[0]), 2.5)
    lit = [
        np.clip(p.astype(float) * 2 ** (g / 2.2), 0, 65535).astype(np.uint16)
        for p, g in zip(bracket(rng, texture(rng, SIZE), plane, range(6)), gains, strict=True)
    ]
    told, untold = ((focused(lit, gains=g).found.best == 2).mean() for g in (gains, None))
    assert untold > 0.75
    assert 0.2 < told < 0.8


def test_every_cell_has_a_frame_that_covers_it(slope: list[NDArray[np.uint16]]) -> None:
    """Frames of which the sharpest are shifted away: some other that covers the cell is let in."""
    poses = [similarity(1, 0, (90.0 * (k % 2), 50.0 * (k % 3)), SIZE) for k in range(8)]
    poses[3] = similarity(1, 0, (0, 0), SIZE)
    made = focused(slope, poses=poses)
    shape = made.found.best.shape
    whole = np.stack([covered(p, (shape[0], shape[1]), SIZE) for p in poses], axis=1)
    assert (made.admitted.astype(bool) & whole).any(axis=1).all()


def test_threads_change_nothing(slope: list[NDArray[np.uint16]]) -> None:
    one, two = focused(slope), focused(slope, threads=2)
    for name, value in vars(one.found).items():
        np.testing.assert_array_equal(getattr(two.found, name), value)
    np.testing.assert_array_equal(one.prior, two.prior)
    np.testing.assert_array_equal(one.admitted, two.admitted)
    assert one.ticks == pytest.approx(len(slope))


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7])
def test_stacks_of_a_few_frames_are_served(slope: list[NDArray[np.uint16]], count: int) -> None:
    made = focused(slope[:count])
    assert made.admitted.max() == 1
    assert made.admitted.any(axis=1).all()
    assert made.found.best.max() < count
    assert made.ticks == pytest.approx(count)


def test_a_stack_of_nothing_but_white_is_served() -> None:
    made = focused([np.full((96, 128, 3), 255, np.uint8)] * 3)
    assert made.admitted.any(axis=1).all()
    assert not made.found.certain.any()
    assert np.isfinite(made.found.variance).all()


def test_a_pose_between_cells_moves_their_middles_as_pixels_do(rng: Random) -> None:
    """A cell's middle lies at 16 i + 7.5 pixels."""
    pose = similarity(1.03, 0.02, (11.5, -7.25), SIZE)
    at = np.array([3.0, 5.0])
    pixels = pose[:, :2] @ (16 * at + 7.5) + pose[:, 2]
    moved = cell_pose(pose)
    np.testing.assert_allclose(moved[:, :2] @ at + moved[:, 2], (pixels - 7.5) / 16, atol=1e-12)


def by_pixels(pose: NDArray[np.float64], shape: tuple[int, int], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Cells of which the frame covers the whole area of every pixel, corner by corner."""
    out = np.ones(shape, bool)
    for r in range(shape[0]):
        for c in range(shape[1]):
            for y in (16 * r - 0.5, min(16 * r + 16, size[1]) - 0.5):
                for x in (16 * c - 0.5, min(16 * c + 16, size[0]) - 0.5):
                    u, v = pose[:, :2] @ np.array([x, y]) + pose[:, 2]
                    out[r, c] &= -0.501 <= u <= size[0] - 0.499 and -0.501 <= v <= size[1] - 0.499
    return out


@pytest.mark.parametrize("size", [(96, 64), (90, 50), (5, 3)])
def test_what_a_frame_covers_is_told_up_to_its_border(size: tuple[int, int]) -> None:
    shape = (-(-size[1] // 16), -(-size[0] // 16))
    assert covered(similarity(1, 0, (0, 0), size), shape, size).all()
    assert not covered(similarity(1, 0, (0.1, 0), size), shape, size)[:, -1].any()
    assert not covered(similarity(1, 0, (0, -0.1), size), shape, size)[0].any()
    assert not covered(similarity(1, 0, (2000, 0), size), shape, size).any()
    poses = [(1.01, 0, (0, 0)), (0.9, 0, (0, 0)), (1, 0.01, (0, 0)), (0.98, 0.2, (3, -2)), (1, 0, (20, 17))]
    for scale, roll, shift in poses:
        pose = similarity(scale, roll, shift, size)
        np.testing.assert_array_equal(covered(pose, shape, size), by_pixels(pose, shape, size))


def test_results_come_in_order_and_few_are_waiting() -> None:
    alive, most, lock = [0], [0], threading.Lock()

    def work(k: int) -> int:
        with lock:
            alive[0] += 1
            most[0] = max(most[0], alive[0])
        time.sleep(0.002 * (k % 3))
        return k * k

    out: list[Any] = []
    for value in in_order(list(range(20)), work, 3):
        out.append(value)
        with lock:
            alive[0] -= 1
    assert out == [k * k for k in range(20)]
    assert most[0] <= 4


def test_an_error_in_one_item_reaches_the_caller() -> None:
    def work(k: int) -> int:
        if k == 2:
            raise ValueError("third")
        return k

    with pytest.raises(ValueError, match="third"):
        list(in_order([0, 1, 2, 3], work, 2))


def test_energies_that_are_told_do_not_depend_on_how_many_frames_there_are(rng: Random) -> None:
    """With more than `FEW` frames chance counts in which are let in; gaps are told from energies less the noise alone."""
    twelve = bracket(rng, texture(rng, SIZE, contrast=0.03), ramp(SIZE, 0, 11), range(FEW))
    few, more = (focused(frames, sigma=0.004).found for frames in (twelve, [*twelve, twelve[-1]]))
    assert np.allclose(few.peak, more.peak, rtol=1e-5)
