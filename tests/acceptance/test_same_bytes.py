"""The same frames and settings give the same bytes, whatever the threads, tiles, memory and ways to the pixels."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import tifffile

from tests.acceptance.command import SIDE_FILES, lay, merged, samples, side_files
from tests.scenes import Scene
from tests.scenes.tags import srgb_profile

TOLD_ANEW = {"report.json", "report.txt"}
"""Side files that tell seconds and memory of their own run."""


@pytest.fixture(scope="module")
def plain(large: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the frames as plain TIFF, and picture.tif made of them by one thread beside it."""
    folder = tmp_path_factory.mktemp("plain")
    lay(large.frames, folder / "frames")
    merged(folder / "frames", folder / "picture.tif", "--threads", "1")
    return folder


@pytest.mark.parametrize(
    "options",
    ["--threads 2", "--threads 3", "--memory 300MiB", "--memory 8GiB --threads 2", "--keep-scratch"],
)
def test_threads_and_memory_change_no_byte(options: str, plain: Path, tmp_path: Path) -> None:
    merged(plain / "frames", tmp_path / "picture.tif", *options.split())
    assert (tmp_path / "picture.tif").read_bytes() == (plain / "picture.tif").read_bytes()
    ours, theirs = side_files(tmp_path / "picture.tif"), side_files(plain / "picture.tif")
    for ending in set(SIDE_FILES) - TOLD_ANEW:
        assert ours[ending].read_bytes() == theirs[ending].read_bytes(), ending


@pytest.mark.parametrize("tile", [64, 128])
def test_tiles_change_no_sample(tile: int, plain: Path, tmp_path: Path) -> None:
    (tmp_path / "standard.toml").write_text(f"[render]\ntile = {tile}\n")
    merged(plain / "frames", tmp_path / "picture.tif", "--recipe", tmp_path / "standard.toml")
    assert (tmp_path / "picture.tif").read_bytes() == (plain / "picture.tif").read_bytes()


def test_planes_packed_and_other_byte_orders_change_no_sample(
    large: Scene, plain: Path, tmp_path: Path
) -> None:
    """The first is mapped with planes apart, the others are laid out in scratch."""
    ways: dict[str, dict[str, Any]] = {
        "planes": {"planarconfig": "separate"},
        "packed": {"compression": "zlib", "predictor": True},
        "swapped": {"byteorder": ">"},
    }
    for name, options in ways.items():
        (tmp_path / name).mkdir()
        for k, frame in enumerate(large.frames):
            tifffile.imwrite(
                tmp_path / name / f"F{k + 1:04d}.tif",
                frame.transpose(2, 0, 1) if name == "planes" else frame,
                photometric="rgb",
                iccprofile=srgb_profile(),
                metadata=None,
                **options,
            )
        merged(tmp_path / name, tmp_path / f"{name}.tif")
        assert (samples(tmp_path / f"{name}.tif") == samples(plain / "picture.tif")).all()


def test_png_and_tiff_of_the_same_samples_give_the_same_picture(
    large: Scene, plain: Path, tmp_path: Path
) -> None:
    lay(large.frames, tmp_path / "frames", format="png16")
    merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert (samples(tmp_path / "picture.tif") == samples(plain / "picture.tif")).all()
