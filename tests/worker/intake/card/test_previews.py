"""The small look at a frame: the cheapest picture in the file that will do, cut to the frame's own shape."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from nearfar.errors import FrameRefused
from nearfar.frames.glance import glance
from nearfar.intake.card.previews import CHEAP, CLOSE, Look, look_of, take_look
from tests.scenes import card, files, tags
from tests.worker.frames.makers import jpeg_bytes, png_bytes, write_dng, write_tiff


def scene(width: int = 480, height: int = 320) -> np.ndarray:
    """A slope with blobs of colour."""
    rng = np.random.default_rng(3)
    small = rng.integers(0, 255, (height // 40, width // 40, 3), np.uint8)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)


def written(path: Path, pixels: np.ndarray, *, thumbnail: np.ndarray | None) -> Path:
    body = card.Body(thumbnail=thumbnail is not None)
    exif = card.exif_block(body, tags.Camera(), pixels if thumbnail is None else thumbnail)
    path.write_bytes(files.jpeg(pixels, quality=92, exif=exif, profile=tags.srgb_profile()))
    return path


def off(one: Look, other: Look) -> float:
    """Mean difference of two small pictures, of 0..255."""
    return float(np.abs(one.small.astype(int) - other.small.astype(int)).mean())


def test_a_thumbnail_is_taken_and_its_black_bars_cut_off(tmp_path: Path) -> None:
    path = written(tmp_path / "a.jpg", scene(), thumbnail=scene())
    found = take_look(path, glance(path))
    assert found.source.startswith("embedded")
    assert off(found, look_of(scene(), "whole")) < 6


def test_a_close_look_is_at_the_frame_itself(tmp_path: Path) -> None:
    path = written(tmp_path / "a.jpg", scene(), thumbnail=scene())
    assert take_look(path, glance(path), CLOSE).source == "decoded 480"


def test_a_thumbnail_of_another_shape_without_bars_is_not_trusted(tmp_path: Path) -> None:
    path = written(tmp_path / "a.jpg", scene(), thumbnail=np.full((120, 160, 3), 200, np.uint8))
    assert take_look(path, glance(path)).source == "decoded 480"


def test_a_large_frame_is_decoded_at_an_eighth(tmp_path: Path) -> None:
    """ITU-T T.81: a decoder may use one coefficient in 64; libjpeg-turbo's scales are eighths."""
    path = written(tmp_path / "a.jpg", scene(4800, 3200), thumbnail=None)
    found = take_look(path, glance(path))
    assert found.source == "decoded 600"
    assert off(found, look_of(scene(4800, 3200), "whole")) < 3


@pytest.mark.parametrize("kind", ["png", "tiff", "tiff16"])
def test_other_kinds_of_files_are_looked_at_whole(tmp_path: Path, kind: str) -> None:
    path = tmp_path / ("a.png" if kind == "png" else "a.tif")
    if kind == "png":
        path.write_bytes(png_bytes(scene()))
    else:
        write_tiff(path, scene() if kind == "tiff" else scene().astype(np.uint16) * 257)
    assert off(take_look(path, glance(path)), look_of(scene(), "whole")) < 2


def test_a_raw_file_without_a_picture_inside_is_developed(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path)
    assert take_look(path, glance(path), CHEAP).source.startswith("decoded")


def test_a_frame_that_cannot_be_decoded_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    whole = jpeg_bytes(scene())
    path.write_bytes(whole[: whole.index(b"\xff\xda") + 4])
    with pytest.raises(FrameRefused):
        take_look(path, glance(path))
