"""REPORT.json to the letter, what it says against the scene's truth, and the files that lie beside the picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.acceptance.command import lay, merged, report_of, samples, side_files, tags_of
from tests.bench import metrics
from tests.scenes import Scene

NUMBER = (int, float)


def _is(value: object, *kinds: type) -> bool:
    """Of one of the kinds, where true and false are no numbers."""
    return isinstance(value, kinds) and not (isinstance(value, bool) and bool not in kinds)


def test_the_report_has_every_key_of_its_format_with_the_right_type(undisturbed: Any) -> None:
    report = undisturbed.report
    assert report["format"] == "nearfar-report/1"
    assert _is(report["reference"], str)
    assert report["size"] == [480, 360]
    assert _is(report["software"], dict)
    assert _is(report["gaps"], list)
    for frame in report["frames"]:
        assert _is(frame["name"], str)
        assert _is(frame["used"], bool)
        assert frame["why"] is None or _is(frame["why"], str)
        assert _is(frame["gain_ev"], *NUMBER)
        assert _is(frame["confidence"], *NUMBER)
        assert _is(frame["share"], *NUMBER)
        assert 0 <= frame["confidence"] <= 1
        assert 0 <= frame["share"] <= 1
        assert np.array(frame["pose"]).shape == (2, 3)
    assert set(report["seconds"]) == {"survey", "register", "focus", "render", "deliver", "total"}
    assert all(_is(v, *NUMBER) and v >= 0 for v in report["seconds"].values())
    assert set(report["memory"]) >= {"limit", "planned", "peak"}
    assert all(_is(v, int) and v > 0 for v in report["memory"].values())


def test_the_steps_add_up_to_the_whole_time(undisturbed: Any) -> None:
    seconds = dict(undisturbed.report["seconds"])
    assert seconds.pop("total") == pytest.approx(sum(seconds.values()), abs=0.01)


def test_the_report_is_plain_json_that_any_reader_takes(undisturbed: Any) -> None:
    """Python writes NaN and Infinity, which RFC 8259 does not know."""
    text = side_files(undisturbed.out)["report.json"].read_text(encoding="utf-8")

    def refuse(name: str) -> None:
        raise AssertionError(name)

    assert json.loads(text, parse_constant=refuse)["format"] == "nearfar-report/1"


def test_every_frame_is_there_once_in_its_order(undisturbed: Any) -> None:
    assert [f["name"] for f in undisturbed.report["frames"]] == [f"F000{k}.tif" for k in range(1, 8)]
    assert undisturbed.report["reference"] == "F0004.tif"


def test_poses_are_true_to_a_third_of_a_pixel_and_map_the_picture_to_the_frame(
    undisturbed: Any, scene: Scene
) -> None:
    poses = [np.array(f["pose"]) for f in undisturbed.report["frames"]]
    errors = metrics.pose_errors(list(poses), scene.poses, 3, (480, 360))
    assert errors.max() < 0.35
    assert np.median(errors) < 0.05
    away = [metrics.pose_error(p, np.eye(2, 3), (480, 360)) for p in scene.poses]
    assert max(away) > 1  # the frames did move


def test_shares_add_up_to_one(undisturbed: Any) -> None:
    assert sum(f["share"] for f in undisturbed.report["frames"]) == pytest.approx(1, abs=1e-3)


def test_shares_follow_what_each_frame_has_in_focus(undisturbed: Any, scene: Scene) -> None:
    nearest = np.rint(scene.depth).clip(0, 6).astype(int)
    true = np.bincount(nearest.ravel(), minlength=7) / nearest.size
    found = [f["share"] for f in undisturbed.report["frames"]]
    assert np.corrcoef(true, found)[0, 1] > 0.8


def test_nothing_is_missing_where_nothing_is(undisturbed: Any) -> None:
    assert undisturbed.report["gaps"] == []
    assert undisturbed.report["warnings"] == []


def test_the_peak_of_memory_is_within_plan_and_limit(undisturbed: Any) -> None:
    memory = undisturbed.report["memory"]
    assert memory["peak"] <= memory["planned"] <= memory["limit"]


def test_a_person_reads_the_same_in_words(undisturbed: Any) -> None:
    text = side_files(undisturbed.out)["report.txt"].read_text(encoding="utf-8")
    assert text.startswith("7 of 7 frames became one picture of 480 x 360 pixels.\n")
    assert "Its geometry is that of F0004.tif. Recipe: standard." in text
    for frame in undisturbed.report["frames"]:
        (line,) = [line for line in text.splitlines() if line.strip().startswith(frame["name"])]
        assert f"{100 * frame['share']:.1f} %" in line
        assert f"{frame['confidence']:.2f}" in line


def test_all_side_files_are_there_and_can_be_read(undisturbed: Any) -> None:
    files = side_files(undisturbed.out)
    assert report_of(undisturbed.out) == undisturbed.report
    with Image.open(files["preview.jpg"]) as preview:
        assert (preview.format, preview.mode, preview.size) == ("JPEG", "RGB", (480, 360))
        assert preview.info["icc_profile"]
        preview.load()
    for ending in ("focus.png", "report.png"):
        with Image.open(files[ending]) as shown:
            assert (shown.format, shown.mode) == ("PNG", "RGB")
            shown.load()


def test_the_preview_shows_the_picture(undisturbed: Any, scene: Scene) -> None:
    with Image.open(side_files(undisturbed.out)["preview.jpg"]) as preview:
        seen = np.asarray(preview, np.float32) / 255
    assert metrics.psnr(seen, scene.truth, metrics.interior(scene.truth.shape)) > 30


def test_the_map_of_frames_says_its_scale_and_is_true(undisturbed: Any, scene: Scene) -> None:
    """16 bit, half the picture's size: 256 is the first frame, 256 more each further one, 0 unknown."""
    path = side_files(undisturbed.out)["focus.tif"]
    found = samples(path)
    scale = json.loads(tags_of(path)[270])["nearfar-focus/1"]
    assert scale == {
        "unit": "frame",
        "first": 256,
        "step": 256,
        "unknown": 0,
        "frames": [f["name"] for f in undisturbed.report["frames"]],
    }
    assert found.dtype == np.uint16
    assert found.shape == (180, 240)
    known = found > 0
    assert known.mean() > 0.5
    place = (found[known].astype(float) - scale["first"]) / scale["step"]
    assert place.min() >= 0
    assert place.max() <= 6
    true = cv2.resize(scene.depth, (240, 180), interpolation=cv2.INTER_AREA)[known]
    assert np.median(np.abs(place - true)) < 0.5


def test_the_map_of_doubt_says_its_scale_and_is_high_where_there_is_nothing_to_see(
    scene: Scene, tmp_path: Path
) -> None:
    frames = scene.frames.copy()
    grain = np.random.default_rng(8).normal(0, scene.noise * 65535, frames[:, :, 240:].shape)
    frames[:, :, 240:] = np.clip(30_000 + grain, 0, 65535)
    lay(frames, tmp_path / "frames")
    merged(tmp_path / "frames", tmp_path / "picture.tif")
    path = side_files(tmp_path / "picture.tif")["doubt.tif"]
    doubt = samples(path)
    scale = json.loads(tags_of(path)[270])["nearfar-doubt/1"]
    assert scale == {"cell": 16, "full": 65535}
    assert doubt.dtype == np.uint16
    assert doubt.shape == (-(-360 // 16), -(-480 // 16))
    plain, rich = np.median(doubt[:, 17:]), np.median(doubt[:, :14])
    assert plain > 0.6 * scale["full"]
    assert rich < 0.3 * scale["full"]
