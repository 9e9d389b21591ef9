"""Small pictures of frames: of every kind of file the same picture, upright in its colours, and never in anybody's way."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from nearfar.frames.decode import read_header
from nearfar.merge.scratch import Scratch, share_scratch
from nearfar.merge.survey import Surveyed, Surveyor, identify
from nearfar.runner.results import small
from tests.acceptance.command import lay

U16 = NDArray[np.uint16]


@pytest.fixture
def picture() -> U16:
    """(700, 1000, 3): a ramp to the right in red, downwards in green, and a blue square near the upper left corner."""
    found = np.zeros((700, 1000, 3), np.uint16)
    found[..., 0] = np.linspace(0, 60000, 1000)
    found[..., 1] = np.linspace(0, 60000, 700)[:, None]
    found[60:260, 60:260] = (0, 0, 65535)
    return found


def survey(picture: U16, folder: Path, kind: str) -> tuple[Surveyed, Scratch]:
    lay(picture[None], folder / "frames", format=kind)
    header = read_header(next((folder / "frames").iterdir()))
    scratch = share_scratch(folder / "work", folder / "local", mark="u1t1")
    made = Surveyor(scratch, lambda: None, {header.path: identify(header)}).survey(header)
    return made, scratch


@pytest.mark.parametrize("kind", ["tiff16", "tiff16-deflate", "jpeg", "png16"])
def test_a_small_picture_is_the_frame_made_small(picture: U16, tmp_path: Path, kind: str) -> None:
    frame, scratch = survey(picture, tmp_path, kind)
    assert small.keep_small([(7, frame)], scratch, tmp_path / "small") == 1
    with Image.open(tmp_path / "small" / "00007.jpg") as found:
        assert found.size == (240, 168)
        got = np.asarray(found.convert("RGB"), np.float32)
    want = cv2.resize((picture >> 8).astype(np.float32), (240, 168), interpolation=cv2.INTER_AREA)
    assert np.abs(got - want).mean() < 3, "JPEG takes its part"
    assert [p.name for p in (tmp_path / "small").iterdir()] == ["00007.jpg"]


def test_what_is_there_is_not_made_again_and_what_cannot_be_read_is_passed_over(
    picture: U16, tmp_path: Path
) -> None:
    frame, scratch = survey(picture, tmp_path, "jpeg")
    folder = tmp_path / "small"
    assert small.keep_small([(1, frame)], scratch, folder) == 1
    assert small.keep_small([(1, frame)], scratch, folder) == 0
    assert frame.rows is not None
    frame.rows.unlink()
    assert small.keep_small([(2, frame)], scratch, folder) == 0


def test_a_folder_that_cannot_be_written_to_stops_nothing(picture: U16, tmp_path: Path) -> None:
    frame, scratch = survey(picture, tmp_path, "jpeg")
    (tmp_path / "file").write_bytes(b"")
    assert small.keep_small([(1, frame)], scratch, tmp_path / "file" / "small") == 0


def test_small_frames_are_not_made_larger(picture: U16, tmp_path: Path) -> None:
    frame, _ = survey(picture[:100, :80], tmp_path, "jpeg")
    assert small.small_picture(frame).shape == (100, 80, 3)
