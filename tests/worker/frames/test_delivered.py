"""Delivered pictures opened again and written with some of their tiles replaced."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import simplejpeg
import tifffile

from nearfar.errors import WorkFailed
from nearfar.frames.decode import exif_block, read_header
from nearfar.frames.deliverable import PictureTags, encode_tile, write_preview
from nearfar.frames.delivered import Delivered, write_preview_like, write_replaced
from tests.acceptance.command import lay
from tests.scenes.tags import srgb_profile
from tests.worker.merge.mending.mendable import joined, write

RNG = np.random.default_rng(1)


def picture(folder: Path, shape: tuple[int, int, int], *, camera: bool = False) -> Path:
    tags = PictureTags()
    if camera:
        frames = RNG.integers(0, 65536, (1, 40, 50, 3), np.uint16)
        header = read_header(lay(frames, folder / "frames")[0])
        tags = PictureTags(
            icc=srgb_profile(), exif=exif_block(header), xmp=b"<x:xmpmeta/>", software="Nearfar"
        )
    return write(folder / "p.tif", RNG.integers(0, 65536, shape, np.uint16), tags=tags)


@pytest.mark.parametrize(
    ("shape", "camera"), [((1100, 1537, 3), True), ((300, 200, 3), False), ((513, 1025, 1), False)]
)
@pytest.mark.parametrize("within_kernel", [True, False])
def test_with_nothing_replaced_the_bytes_are_the_same(
    tmp_path: Path,
    shape: tuple[int, int, int],
    camera: bool,
    within_kernel: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = picture(tmp_path, shape, camera=camera)
    if not within_kernel:

        def cannot(*_: object, **__: object) -> int:
            raise OSError(18, "Invalid cross-device link")

        monkeypatch.setattr(os, "copy_file_range", cannot)
    with Delivered(path) as opened:
        write_replaced(opened, tmp_path / "new.tif", {})
    assert (tmp_path / "new.tif").read_bytes() == path.read_bytes()


def test_replaced_tiles_are_there_and_the_others_keep_their_bytes(tmp_path: Path) -> None:
    path = picture(tmp_path, (1100, 1537, 3), camera=True)
    tile = RNG.integers(0, 65536, (512, 512, 3), np.uint16)
    flat = np.full((512, 512, 3), 7, np.uint16)
    replaced = {(0, 0): encode_tile(flat), (0, 5): encode_tile(tile), (1, 1): encode_tile(flat)}
    with Delivered(path) as old:
        write_replaced(old, tmp_path / "new.tif", replaced)
        with Delivered(tmp_path / "new.tif") as new:
            for number, level in enumerate(old.levels):
                for place in range(len(level.counts)):
                    expected = replaced.get((number, place), old.coded((number, place)))
                    assert new.coded((number, place)) == expected
            assert (new.icc, new.exif, new.gps) == (old.icc, old.exif, old.gps)
            expected_pixels = joined(old, replaced)
    assert np.array_equal(tifffile.imread(tmp_path / "new.tif", key=0), expected_pixels)


@pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool is not installed")
def test_another_program_reads_the_same_from_both(tmp_path: Path) -> None:
    path = picture(tmp_path, (700, 700, 3), camera=True)
    (tmp_path / "new").mkdir()
    target = tmp_path / "new" / "p.tif"
    with Delivered(path) as old:
        write_replaced(old, target, {(0, 0): encode_tile(np.zeros((512, 512, 3), np.uint16))})
    told = []
    for file in (path, target):
        command = ["exiftool", "-a", "-G1", "-s", "--File:all", "--System:all"]
        command += ["--TileOffsets", "--TileByteCounts", "--Composite:all", "--ExifTool:all"]
        told.append(subprocess.run([*command, str(file)], capture_output=True, text=True, check=True).stdout)
    assert told[0] == told[1]
    assert "ProfileDescription" in told[0]


def test_a_picture_that_is_replaced_stays_the_one_that_was_opened(tmp_path: Path) -> None:
    path = picture(tmp_path, (600, 600, 3))
    with Delivered(path) as opened:
        first = opened.coded((0, 1))
        other = write(tmp_path / "other.tif", np.zeros((600, 600, 3), np.uint16))
        other.rename(path)
        assert opened.coded((0, 1)) == first


def test_damage_is_told_of(tmp_path: Path) -> None:
    path = picture(tmp_path, (600, 600, 3))
    data = path.read_bytes()
    for name, content in (
        ("cut.tif", data[: len(data) // 2]),
        ("text.tif", b"no picture"),
        ("none.tif", b""),
    ):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(
            WorkFailed, match=r"not a picture as Nearfar delivers it.*put the delivered file back"
        ):
            Delivered(tmp_path / name)
    with Delivered(path) as opened:
        offset = opened.levels[0].offsets[2]
    (tmp_path / "spoilt.tif").write_bytes(data[: offset + 100] + bytes(4000) + data[offset + 4100 :])
    with Delivered(tmp_path / "spoilt.tif") as opened, pytest.raises(WorkFailed, match="not a picture"):
        opened.tile((0, 2))


def test_a_preview_carries_what_the_one_before_did(tmp_path: Path) -> None:
    old = RNG.integers(0, 256, (60, 90, 3), np.uint8)
    write_preview(tmp_path / "old.jpg", old, icc=srgb_profile())
    new = np.full((60, 90, 3), 128, np.uint8)
    write_preview_like(tmp_path / "old.jpg", tmp_path / "new.jpg", new)
    write_preview(tmp_path / "plain.jpg", new, icc=srgb_profile())
    assert (tmp_path / "new.jpg").read_bytes() == (tmp_path / "plain.jpg").read_bytes()
    write_preview_like(tmp_path / "missing.jpg", tmp_path / "bare.jpg", new)
    assert np.abs(simplejpeg.decode_jpeg((tmp_path / "bare.jpg").read_bytes()).astype(int) - 128).max() < 3
