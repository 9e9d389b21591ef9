"""Frames that do not go together are named, with what they are and what the others are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import ImageCms

from nearfar.errors import StackRefused
from nearfar.frames.decode import read_header
from nearfar.frames.headers import FrameHeader, check_alike
from tests.worker.frames.makers import picture, write_tiff

SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.fixture
def usual(tmp_path: Path) -> list[FrameHeader]:
    return [read_header(write_tiff(tmp_path / f"{n}.tif", picture())) for n in range(4)]


def test_frames_that_are_alike_pass(usual: list[FrameHeader]) -> None:
    check_alike(usual)
    check_alike(usual[:1])
    check_alike([])


@pytest.mark.parametrize(
    ("odd", "words"),
    [
        ({"array": picture(height=30)}, ["size", "odd.tif (56 x 30 pixels)", "expected 56 x 40 pixels"]),
        ({"array": picture(dtype=np.uint16)}, ["depth", "odd.tif (16 bits)", "expected 8 bits"]),
        ({"array": picture(channels=1)}, ["number of channels", "odd.tif (greyscale)", "expected RGB"]),
        ({"array": picture(), "iccprofile": SRGB}, ["colour profile", "sRGB", "expected no colour profile"]),
    ],
    ids=["size", "depth", "channels", "profile"],
)
def test_the_odd_frame_is_named(
    tmp_path: Path, usual: list[FrameHeader], odd: dict[str, object], words: list[str]
) -> None:
    other = read_header(write_tiff(tmp_path / "odd.tif", **odd))  # type: ignore[arg-type]
    with pytest.raises(StackRefused) as caught:
        check_alike([other, *usual])
    for word in [*words, "the other 4 of 5 frames", "Leave the odd frames out"]:
        assert word in str(caught.value)


def test_many_odd_frames_are_counted(tmp_path: Path, usual: list[FrameHeader]) -> None:
    odd = [read_header(write_tiff(tmp_path / f"odd{n}.tif", picture(height=30))) for n in range(8)]
    with pytest.raises(StackRefused, match=r"found 0\.tif \(56 x 40 pixels\), 1\.tif"):
        check_alike([*usual, *odd])
    with pytest.raises(StackRefused, match="and 3 more"):
        check_alike([*usual, *usual, *usual, *odd])


def test_frames_of_which_only_some_are_raw_are_told_so(usual: list[FrameHeader]) -> None:
    """Two sizes and two depths say nothing to whoever forgot to copy some raw files."""
    raw = [
        replace(header, path=Path(f"{k}.dng"), kind="raw", bits=16, width=58)
        for k, header in enumerate(usual[:3])
    ]
    with pytest.raises(
        StackRefused, match=r"3 of 4 frames are raw files.*: 3\.tif; expected frames of one kind"
    ) as caught:
        check_alike([*raw, usual[3]])
    assert [path.name for path in caught.value.odd] == ["3.tif"]
