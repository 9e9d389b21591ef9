"""Brackets as a whole: poses, gains, noise, truth, cache."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from tests.scenes import KINDS, Scene, light, render, resample, similarity, strangers

Make = Callable[..., Scene]
INNER = (slice(24, -24), slice(24, -24))


def test_the_transfer_curve_is_that_of_the_standard() -> None:
    # IEC 61966-2-1: the two branches meet at 0.0031308; 50 % encoded is 21.4 % light.
    x = np.array([0.0, 0.001, 0.0031308, 0.21404, 1.0], np.float32)
    np.testing.assert_allclose(light.encode(x), [0, 0.01292, 0.04045, 0.5, 1], atol=2e-5)
    np.testing.assert_allclose(light.decode(light.encode(x)), x, atol=1e-6)


def test_resampling_by_a_map_moves_a_smooth_picture_as_the_formula_says() -> None:
    def waves(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 0.5 + 0.2 * np.sin(x / 3.1 + 0.3) + 0.2 * np.cos(y / 2.7 - x / 9)

    y, x = np.mgrid[:90, :120].astype(np.float64)
    back = resample.compose(similarity((100, 70), scale=1.01, roll=0.01, shift=(0.37, -0.61)), np.eye(3)[:2])
    back[:, 2] += 10
    made = resample.by_map(waves(x, y)[..., None].astype(np.float32), back, (100, 70))[..., 0]
    v, u = np.mgrid[:70, :100].astype(np.float64)
    true = waves(back[0, 0] * u + back[0, 1] * v + back[0, 2], back[1, 0] * u + back[1, 1] * v + back[1, 2])
    np.testing.assert_allclose(made, true, atol=2e-3)


def test_true_poses_bring_sharp_frames_back_onto_the_truth(make_scene: Make) -> None:
    scene = make_scene(reach=1e-6, noise=0.0, jitter=3.0, roll=0.004, breathing=0.01)
    for frame, pose in zip(scene.frames, scene.poses, strict=True):
        back = resample.by_map(frame.astype(np.float32) / 65535, pose, (300, 220))
        assert np.sqrt(np.mean((back[INNER] - scene.truth[INNER]) ** 2)) < 0.02


def test_a_library_finds_the_true_shift_between_sharp_frames(make_scene: Make) -> None:
    # Reference: skimage.registration.phase_cross_correlation, refined by 1/50 px.
    scene = make_scene(reach=1e-6, noise=0.0, jitter=3.0, roll=0.0, breathing=0.0)
    window = np.outer(np.hanning(220), np.hanning(300))
    seen = [(f.mean(2) - f.mean()) * window for f in scene.frames]
    for frame, pose in zip(seen, scene.poses, strict=True):
        found = phase_cross_correlation(  # type: ignore[no-untyped-call]
            seen[2], frame, upsample_factor=50, normalization=None
        )[0]
        np.testing.assert_allclose(-found[::-1], pose[:, 2], atol=0.04)


def test_the_reference_frame_is_the_middle_one_and_at_rest(make_scene: Make) -> None:
    scene = make_scene(jitter=5.0, breathing=0.01)
    assert scene.reference == 2
    np.testing.assert_array_equal(scene.poses[2], np.eye(3)[:2])


def test_each_place_is_sharpest_in_the_frame_of_its_depth(make_scene: Make) -> None:
    scene = make_scene("dome", frames=6, noise=0.0, jitter=0.0, roll=0.0, breathing=0.0)
    error = np.stack([np.abs(f.astype(np.float32) / 65535 - scene.truth).mean(2) for f in scene.frames])
    near = np.abs(scene.depth - np.rint(scene.depth)) < 0.2
    best = error.argmin(0)
    assert (np.abs(best - np.rint(scene.depth))[near] <= 1).mean() > 0.9


def test_flicker_scales_light_by_the_gains_told(make_scene: Make) -> None:
    still, lit = make_scene(noise=0.0), make_scene(noise=0.0, flicker=0.2)
    assert lit.gains_ev.mean() == pytest.approx(0, abs=1e-12)
    for a, b, ev in zip(still.frames, lit.frames, lit.gains_ev, strict=True):
        one, two = (light.light_of_16bit()[f] for f in (a, b))
        inside = (two < 0.95) & (one > 0.01)
        assert np.log2(np.median(two[inside] / one[inside])) == pytest.approx(ev, abs=0.002)


def test_noise_has_the_sigma_told(make_scene: Make) -> None:
    quiet, noisy = make_scene(noise=0.0), make_scene(noise=0.01)
    inside = (quiet.frames[0] > 4000) & (quiet.frames[0] < 60000)
    difference = (noisy.frames[0].astype(float) - quiet.frames[0])[inside] / 65535
    assert difference.std() == pytest.approx(0.01, rel=0.02)


def test_shot_noise_of_light_grows_with_the_root_of_light(make_scene: Make) -> None:
    quiet, noisy = make_scene(noise=0.0), make_scene(noise=0.0, shot=0.02)
    before, after = (light.light_of_16bit()[s.frames[0]] for s in (quiet, noisy))
    for low, high in [(0.05, 0.07), (0.25, 0.3)]:
        part = (before > low) & (before < high)
        assert (after - before)[part].std() == pytest.approx(0.02 * np.sqrt((low + high) / 2), rel=0.1)


def test_the_same_seed_gives_the_same_frames_and_another_seed_others(make_scene: Make) -> None:
    one, two, other = make_scene(), make_scene(), make_scene(seed=4)
    np.testing.assert_array_equal(one.frames, two.frames)
    assert (one.frames != other.frames).mean() > 0.5


def test_a_cached_scene_equals_a_fresh_one(own_cache: Path) -> None:
    def made(use: bool) -> Scene:
        return render("doorways", size=(200, 160), frames=3, seed=8, use_cache=use)

    fresh, stored, found = made(False), made(True), made(True)
    assert any(own_cache.iterdir())
    np.testing.assert_array_equal(fresh.frames, stored.frames)
    np.testing.assert_array_equal(fresh.frames, found.frames)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_renders_with_depth_in_frames(make_scene: Make, kind: str) -> None:
    scene = make_scene(kind, frames=4)
    assert scene.frames.shape == (4, 220, 300, 3)
    assert scene.truth.std() > 0.02
    assert 0 <= scene.depth.min() < scene.depth.max() <= 3.001


def test_a_rail_moves_near_and_far_things_differently(make_scene: Make) -> None:
    along = make_scene(rail=0.02, breathing=0.0, jitter=0.0, roll=0.0, noise=0.0)
    assert along.poses[0][0, 0] == pytest.approx(1 - 0.04)
    assert along.poses[4][0, 0] == pytest.approx(1 + 0.04)


def test_a_motion_beyond_the_canvas_is_refused(make_scene: Make) -> None:
    with pytest.raises(ValueError, match="margin"):
        make_scene(jitter=200.0)


def test_only_foliage_moves(make_scene: Make) -> None:
    assert not make_scene().moving.any()
    leaves = make_scene("foliage")
    assert 0.02 < leaves.moving.mean() < 0.9


def test_strangers_look_unlike_the_scene_except_a_repeat(make_scene: Make) -> None:
    scene = make_scene(jitter=0.0)

    def likeness(frame: np.ndarray) -> float:
        return float(np.corrcoef(frame[..., 1].ravel(), scene.frames[2][..., 1].ravel())[0, 1])

    assert likeness(strangers.repeat(scene, 2)) > 0.99
    for frame in (strangers.covered(scene), strangers.featureless(scene), strangers.other(scene)):
        assert abs(likeness(frame)) < 0.5
    assert likeness(strangers.hand(scene)) < 0.8


def test_a_bump_shifts_all_later_frames(make_scene: Make) -> None:
    scene = make_scene(jitter=0.0, breathing=0.0, roll=0.0)
    after = strangers.bump(scene, 3, shift=(30.0, -10.0))
    np.testing.assert_array_equal(after.frames[2], scene.frames[2])
    np.testing.assert_allclose(after.poses[4][:, 2], [30, -10])
    there = after.frames[4][60:150, 90:250].astype(float)
    assert np.abs(there - scene.frames[4][70:160, 60:220]).mean() < 0.01 * 65535


def test_strangers_are_put_in_their_places(make_scene: Make) -> None:
    scene = make_scene()
    frames, numbers = strangers.insert(scene, [(1, strangers.covered(scene)), (5, strangers.hand(scene))])
    assert numbers == [0, None, 1, 2, 3, 4, None]
    assert frames[1].mean() < 0.05 * 65535
    both, order = strangers.mixed(scene, scene, interleaved=True)
    assert [s for s, _ in order] == [0, 1] * 5
    assert len(both) == 10
