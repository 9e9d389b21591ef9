"""Frames that do not belong: each is left out or kept with its reason, and none of them spoils the picture."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.acceptance.command import lay, merge, merged, nothing_made, picture, quality, report_of
from tests.bench import metrics
from tests.scenes import Scene, render, strangers

LOSS = 0.3
"""dB that a stranger may cost."""

CASES: dict[str, tuple[int, Callable[[Scene], NDArray[np.uint16]], bool, str]] = {
    # before which frame, which picture, used or not, words of the reason
    "covered lens": (3, strangers.covered, False, "shows next to nothing"),
    "hand as divider": (7, strangers.hand, False, "does not resemble its neighbours"),
    "other scene": (2, strangers.other, False, "does not resemble its neighbours"),
    "featureless": (5, strangers.featureless, False, "shows next to nothing"),
    "repeat": (4, lambda s: strangers.repeat(s, 3), True, "repeats F0004.tif"),
    "same file again": (4, lambda s: s.frames[3], True, "repeats F0004.tif"),
}


@pytest.mark.parametrize("case", CASES)
def test_a_stranger_is_told_with_its_reason_and_does_not_spoil_the_picture(
    case: str, scene: Scene, undisturbed: Any, tmp_path: Path
) -> None:
    before, make, used, words = CASES[case]
    frames, numbers = strangers.insert(scene, [(before, make(scene))])
    lay(frames, tmp_path / "frames")
    middle = f"F{numbers.index(3) + 1:04d}"
    done = merge(tmp_path / "frames", tmp_path / "picture.tif", "--reference", middle)
    assert done.code == 0
    report = report_of(tmp_path / "picture.tif")
    told = {f["name"]: (f["used"], f["why"]) for f in report["frames"]}
    strange = f"F{numbers.index(None) + 1:04d}.tif"
    is_used, why = told.pop(strange)
    assert is_used is used
    assert words in why
    assert set(told.values()) == {(True, None)}
    assert (f"left out {strange}: {why}" in done.out) is not used
    assert quality(scene, tmp_path / "picture.tif") > undisturbed.psnr - LOSS


def test_a_frame_that_is_left_out_has_no_pose_and_no_share(scene: Scene, tmp_path: Path) -> None:
    frames, _ = strangers.insert(scene, [(3, strangers.covered(scene))])
    lay(frames, tmp_path / "frames")
    frame = merged(tmp_path / "frames", tmp_path / "picture.tif")["frames"][3]
    assert (frame["used"], frame["pose"], frame["share"], frame["confidence"]) == (False, None, 0, 0)


def _seen_by_all(scene: Scene) -> metrics.Mask:
    """Places that every frame shows, with some distance to its edges."""
    mask = metrics.interior(scene.truth.shape)
    h, w = mask.shape
    y, x = np.mgrid[:h, :w]
    for pose in scene.poses:
        u, v = (row[0] * x + row[1] * y + row[2] for row in pose)
        mask &= (u > 16) & (v > 16) & (u < w - 17) & (v < h - 17)
    return mask


def test_after_a_bump_of_120_pixels_the_frames_are_lined_up_all_the_same(
    scene: Scene, undisturbed: Any, tmp_path: Path
) -> None:
    bumped = strangers.bump(scene, 4)
    lay(bumped.frames, tmp_path / "frames")
    report = merged(tmp_path / "frames", tmp_path / "picture.tif", "--reference", "F0004")
    assert [f["used"] for f in report["frames"]] == [True] * 7
    assert report["frames"][4]["why"] == "the camera moved by 126 px after F0004.tif; used all the same"
    poses = [np.array(f["pose"]) for f in report["frames"]]
    assert metrics.pose_errors(list(poses), bumped.poses, 3, (480, 360)).max() < 0.35
    seen = _seen_by_all(bumped)
    assert seen.mean() > 0.4
    with_bump = metrics.psnr(picture(tmp_path / "picture.tif"), scene.truth, seen)
    assert with_bump > metrics.psnr(picture(undisturbed.out), scene.truth, seen) - LOSS


@pytest.mark.parametrize("interleaved", [False, True])
def test_of_two_stacks_in_one_folder_the_larger_one_is_merged_and_the_other_named(
    interleaved: bool, scene: Scene, undisturbed: Any, tmp_path: Path
) -> None:
    second = render("hairs", frames=5, size=(480, 360), seed=9)
    frames, order = strangers.mixed(scene, second, interleaved=interleaved)
    lay(frames, tmp_path / "frames")
    middle = f"F{order.index((0, 3)) + 1:04d}"
    report = merged(tmp_path / "frames", tmp_path / "picture.tif", "--reference", middle)
    for frame, (stack, _) in zip(report["frames"], order, strict=True):
        assert frame["used"] is (stack == 0)
        if stack:
            assert "show another scene" in frame["why"]
    others = [frame["name"] for frame in report["frames"] if not frame["used"]]
    (told,) = [w for w in report["warnings"] if "scene left out" in w]
    assert f"5 frames from {others[0]} to {others[-1]}" in told
    assert "nearfar.card" in told
    assert quality(scene, tmp_path / "picture.tif") > undisturbed.psnr - LOSS


def test_frames_of_which_no_two_go_together_are_refused(scene: Scene, tmp_path: Path) -> None:
    lay(np.stack([scene.frames[3], strangers.other(scene)]), tmp_path / "frames")
    done = merge(tmp_path / "frames", tmp_path / "picture.tif")
    assert done.code == 3
    assert "no two of the 2 frames F0001.tif to F0002.tif show the same scene" in done.message
    assert nothing_made(tmp_path / "picture.tif")


def test_a_reference_that_does_not_belong_is_refused_by_name(scene: Scene, tmp_path: Path) -> None:
    frames, _ = strangers.insert(scene, [(7, strangers.covered(scene))])
    lay(frames, tmp_path / "frames")
    done = merge(tmp_path / "frames", tmp_path / "picture.tif", "--reference", "F0008")
    assert done.code == 3
    assert done.message.startswith("F0008.tif was to give the picture its geometry, but it resembles none")
    assert nothing_made(tmp_path / "picture.tif")


def test_a_missing_slice_of_depth_is_told_where_it_is(tmp_path: Path) -> None:
    """Of eleven frames three in the middle are missing."""
    whole = render("micro", frames=11, size=(480, 360), seed=5, reach=30)
    lay(whole.frames[[0, 1, 2, 3, 7, 8, 9, 10]], tmp_path / "frames")
    done = merge(tmp_path / "frames", tmp_path / "picture.tif")
    report = report_of(tmp_path / "picture.tif")
    assert report["gaps"]
    for gap in report["gaps"]:
        assert (gap["after"], gap["before"]) == ("F0004.tif", "F0005.tif")
        assert gap["text"] in done.out
        assert "between F0004.tif and F0005.tif" in gap["text"]
        x, y, w, h = gap["box"]
        assert 0 <= x < x + w <= 480
        assert 0 <= y < y + h <= 360
        assert 0 < gap["share"] < 1
        assert 3.5 < np.median(whole.depth[y : y + h, x : x + w]) < 6.5
