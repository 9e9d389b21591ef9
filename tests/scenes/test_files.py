"""Frames on disk, read back by other people's libraries."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import ExifTags, Image

from tests.scenes import Scene, demo, files, tags, write
from tests.scenes.big import big

Make = Callable[..., Scene]


def picture_of(path: Path) -> np.ndarray:
    read = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert read is not None
    return np.asarray(read)


@pytest.mark.parametrize("format", ["tiff16", "tiff16-deflate", "png16"])
def test_sixteen_bit_frames_come_back_bit_for_bit(make_scene: Make, tmp_path: Path, format: str) -> None:
    scene = make_scene(frames=2)
    paths = write(scene, tmp_path, format=format)
    for path, frame in zip(paths, scene.frames, strict=True):
        read = picture_of(path)[..., ::-1] if format == "png16" else tifffile.imread(path)
        np.testing.assert_array_equal(read, frame)


def test_jpeg_frames_come_back_close_with_profile_and_camera_data(make_scene: Make, tmp_path: Path) -> None:
    # Reader: Pillow. Tag numbers: Exif 3.0.
    scene = make_scene(frames=2)
    paths = write(scene, tmp_path, quality=95)
    with Image.open(paths[1]) as picture:
        exif = picture.getexif().get_ifd(ExifTags.IFD.Exif)
        assert picture.info["icc_profile"] == tags.srgb_profile()
        assert float(exif[ExifTags.Base.FNumber]) == pytest.approx(5.6)
        assert float(exif[ExifTags.Base.FocalLength]) == 60
        assert exif[ExifTags.Base.DateTimeOriginal] == "2031:03:14 09:26:53"
        assert exif[ExifTags.Base.SubsecTimeOriginal] == "98"
        error = np.asarray(picture).astype(float) - files.as_8bit(scene.frames[1])
    assert np.sqrt(np.mean(error**2)) < 6


def test_a_tiff_carries_the_camera_data_too(make_scene: Make, tmp_path: Path) -> None:
    path = write(make_scene(frames=2), tmp_path, format="tiff16")[0]
    with tifffile.TiffFile(path) as file:
        exif = file.pages.first.tags["ExifTag"].value
        assert exif["FNumber"] == (28, 5)
        assert exif["SubsecTimeOriginal"] == "58"


def test_the_demonstration_is_always_the_same_and_ends_with_a_hand(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(demo, "SIZE", (360, 240))
    one = demo.write_demo(tmp_path / "one", frames=2)
    two = demo.write_demo(tmp_path / "two", frames=2)
    assert [p.name for p in one] == ["F0001.jpg", "F0002.jpg", "F0003.jpg"]
    assert [p.read_bytes() for p in one] == [p.read_bytes() for p in two]


def test_a_large_stack_is_made_once_and_has_a_frame_for_each_pose(own_cache: Path) -> None:
    made = big("easy", 3, size=(640, 480))
    stamp = made.frames[0].stat().st_mtime_ns
    again = big("easy", 3, size=(640, 480))
    assert again.frames[0].stat().st_mtime_ns == stamp
    assert len(again.frames) == len(again.poses) == 3
    assert picture_of(again.frames[0]).shape == (480, 640, 3)
