"""A bracket over a measured scene: the motorcycle of the Middlebury stereo data, as scikit-image carries it.

Scharstein, Hirschmüller, Kitajima, Krathwohl, Nešić, Wang and Westling, High-Resolution Stereo Datasets with
Subpixel-Accurate Ground Truth, GCPR 2014. `tests/scenes/measured.py` renders the bracket from photograph and disparity.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.acceptance.command import lay, merged, picture
from tests.bench import baselines, metrics
from tests.scenes import measured


@pytest.mark.slow
def test_the_merge_beats_the_plain_pyramid_with_true_poses_by_a_decibel(tmp_path: Path) -> None:
    scene = measured.motorcycle(frames=7)
    lay(scene.frames, tmp_path / "frames")
    report = merged(tmp_path / "frames", tmp_path / "picture.tif", "--reference", "F0004")
    assert [f["used"] for f in report["frames"]] == [True] * 7
    poses = [np.array(f["pose"]) for f in report["frames"]]
    assert metrics.pose_errors(list(poses), scene.poses, 3, (741, 500)).max() < 0.1
    mask = metrics.interior(scene.truth.shape)
    aligned = (
        baselines.warp(f.astype(np.float32) / 65535, p)
        for f, p in zip(scene.frames, scene.poses, strict=True)
    )
    plain = metrics.psnr(baselines.plain(aligned, levels=6), scene.truth, mask)
    assert metrics.psnr(picture(tmp_path / "picture.tif"), scene.truth, mask) > plain + 1.0
