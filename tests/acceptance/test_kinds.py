"""The main job on every kind of file: the picture is better than the best of its frames, in 16 bit, with their profile."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from nearfar.frames.decode import decode, read_header
from tests.acceptance.command import lay, merged, picture, quality, samples, tags_of
from tests.bench import baselines, metrics
from tests.scenes import Camera, Scene
from tests.scenes.files import SUFFIX, as_8bit, jpeg
from tests.scenes.light import decode as light_of
from tests.scenes.tags import exif_block, srgb_profile
from tests.worker.frames.makers import turned, write_dng

BETTER = 5.0
"""dB by which the picture must beat the best single frame, held to the truth by its true pose."""


@pytest.fixture(scope="module")
def best_single(scene: Scene) -> float:
    mask = metrics.interior(scene.truth.shape)
    aligned = (
        baselines.warp(f.astype(np.float32) / 65535, p)
        for f, p in zip(scene.frames, scene.poses, strict=True)
    )
    return max(metrics.psnr(frame, scene.truth, mask) for frame in aligned)


@pytest.mark.parametrize(
    ("format", "better"), [("jpeg", 2.0), ("png16", BETTER), ("tiff16", BETTER), ("tiff16-deflate", BETTER)]
)
def test_each_kind_gives_a_better_picture_in_16_bit_with_the_frames_profile(
    format: str,
    better: float,
    scene: Scene,
    best_single: float,
    frames: Callable[..., Path],
    tmp_path: Path,
) -> None:
    report = merged(frames(format=format), tmp_path / "picture.tif")
    assert [f["used"] for f in report["frames"]] == [True] * 7
    assert samples(tmp_path / "picture.tif").shape == (360, 480, 3)
    assert samples(tmp_path / "picture.tif").dtype == np.uint16
    assert quality(scene, tmp_path / "picture.tif") > best_single + better  # JPEG: colour at half the size
    assert tags_of(tmp_path / "picture.tif")[34675] == srgb_profile()


WRITERS: dict[str, dict[str, Any]] = {
    "8 bit": {"bits": 8},
    "8 bit, lzw with predictor": {"bits": 8, "compression": "lzw", "predictor": True},
    "16 bit, other byte order": {"bits": 16, "byteorder": ">"},
    "16 bit, big, tiles, planes": {
        "bits": 16,
        "bigtiff": True,
        "tile": (128, 128),
        "planarconfig": "separate",
    },
    "float": {"bits": 32},
}


@pytest.mark.parametrize("kind", WRITERS)
def test_each_way_of_writing_a_tiff_gives_a_better_picture(
    kind: str, scene: Scene, best_single: float, tmp_path: Path
) -> None:
    options = dict(WRITERS[kind])
    bits = options.pop("bits")
    for k, frame in enumerate(scene.frames):
        values: NDArray[Any] = frame if bits == 16 else as_8bit(frame)
        if bits == 32:
            values = (frame / 65535).astype(np.float32)
        shown = np.moveaxis(values, 2, 0) if "planarconfig" in options else values
        (tmp_path / "frames").mkdir(exist_ok=True)
        tifffile.imwrite(
            tmp_path / "frames" / f"{k}.tif", shown, photometric="rgb", iccprofile=srgb_profile(), **options
        )
    merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert samples(tmp_path / "picture.tif").dtype == np.uint16
    assert quality(scene, tmp_path / "picture.tif") > best_single + BETTER
    assert tags_of(tmp_path / "picture.tif")[34675] == srgb_profile()


def test_greyscale_frames_give_a_greyscale_picture(scene: Scene, tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    for k, frame in enumerate(scene.frames):
        grey = np.rint(frame.astype(np.float64) @ metrics.LUMA).astype(np.uint16)
        tifffile.imwrite(tmp_path / "frames" / f"{k}.tif", grey, photometric="minisblack")
    merged(tmp_path / "frames", tmp_path / "picture.tif")
    made = samples(tmp_path / "picture.tif")
    assert made.shape == (360, 480)
    assert made.dtype == np.uint16
    truth, mask = scene.truth @ metrics.LUMA, metrics.interior(scene.truth.shape)
    singles = [metrics.psnr(f @ metrics.LUMA / 65535, truth, mask) for f in scene.frames]
    assert metrics.psnr(made.astype(np.float32) / 65535, truth, mask) > max(singles) + BETTER


def test_orientation_is_applied_once_and_alike_however_the_frames_were_stored(
    scene: Scene, tmp_path: Path
) -> None:
    """Frames of one stack stored under different orientations: upright they are the same stack."""
    plain, mixed = tmp_path / "plain", tmp_path / "mixed"
    for folder in (plain, mixed):
        folder.mkdir()
    for k, frame in enumerate(scene.frames):
        orientation = (1, 3, 6, 8, 2, 5, 7)[k]
        for folder, stored in ((plain, 1), (mixed, orientation)):
            stream = jpeg(
                turned(as_8bit(frame), stored),
                quality=100,
                exif=exif_block(Camera(orientation=stored), k),
                profile=srgb_profile(),
                subsampling="444",
            )
            (folder / f"F{k}.jpg").write_bytes(stream)
    for folder in (plain, mixed):
        merged(folder, folder.with_suffix(".tif"))
    assert quality(scene, tmp_path / "mixed.tif") > quality(scene, tmp_path / "plain.tif") - 0.2
    assert tags_of(tmp_path / "mixed.tif")[274] == 1


@pytest.mark.parametrize("format", ["jpeg", "tiff16-deflate"])
def test_a_camera_that_looks_down_and_writes_any_orientation_makes_the_same_picture(
    format: str, scene: Scene, tmp_path: Path
) -> None:
    """On a copy stand: the scene lies alike on the sensor, and the tags are those of four ways to hold a camera."""
    ending = SUFFIX[format]
    for k, (frame, tag) in enumerate(zip(scene.frames, (1, 6, 1, 3, 8, 1, 1), strict=True)):
        for folder, each in (("any", tag), ("level", 1)):
            camera = Camera(orientation=each)
            lay(frame[None], tmp_path / folder, format=format, names=[f"F{k}{ending}"], camera=camera)
    report = merged(tmp_path / "any", tmp_path / "any.tif")
    merged(tmp_path / "level", tmp_path / "level.tif")
    np.testing.assert_array_equal(samples(tmp_path / "any.tif"), samples(tmp_path / "level.tif"))
    assert [f.get("turned") for f in report["frames"]][3] == {"tag": 3, "as": 1}
    (said,) = [note for note in report["notes"] if "orientation" in note]
    assert f"3 of them, F1{ending} first, carry 3, 6 or 8" in said


def _sensor(encoded: NDArray[Any]) -> NDArray[np.uint16]:
    """What a 14-bit sensor behind a red-green-blue mosaic (RGGB) would have recorded of a picture 0..1."""
    linear = light_of(encoded.astype(np.float32))
    mosaic = linear[:, :, 1].copy()
    mosaic[0::2, 0::2] = linear[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = linear[1::2, 1::2, 2]
    return np.rint(64 + mosaic * 14000).astype(np.uint16)


def test_camera_raw_frames_give_a_better_picture(scene: Scene, tmp_path: Path) -> None:
    """Judged against the truth after the same development: mosaic, DNG, LibRaw.

    What demosaicing invents differs with every shift of a pixel, and only the reference frame has the truth's: hence
    the small step (the plain pyramid with the true poses is 0.2 dB better than that frame).
    """
    (tmp_path / "frames").mkdir()
    for k, frame in enumerate(scene.frames):
        write_dng(tmp_path / "frames" / f"F{k}.dng", sensor=_sensor(frame / 65535))
    truth = decode(read_header(write_dng(tmp_path / "truth.dng", sensor=_sensor(scene.truth))))
    wanted = truth.astype(np.float32) / 65535
    mask = metrics.interior(scene.truth.shape)
    singles = [
        metrics.psnr(decode(read_header(p)).astype(np.float32) / 65535, wanted, mask)
        for p in (tmp_path / "frames").iterdir()
    ]
    lay(scene.frames, tmp_path / "frames", format="jpeg", names=[f"F{k}.JPG" for k in range(7)])
    report = merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert [f["name"] for f in report["frames"]] == [f"F{k}.dng" for k in range(7)]  # not their twins
    twins = "passed over F0.JPG, F1.JPG, F2.JPG, F3.JPG and 3 more: the same exposure as its raw file (.dng), which is taken"
    assert twins in report["notes"]
    assert metrics.psnr(picture(tmp_path / "picture.tif"), wanted, mask) > max(singles) + 0.7


def test_heif_frames_give_a_better_picture(scene: Scene, best_single: float, tmp_path: Path) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    (tmp_path / "frames").mkdir()
    for k, frame in enumerate(scene.frames):
        shown = pillow_heif.from_bytes("RGB", (480, 360), as_8bit(frame).tobytes())
        shown.save(tmp_path / "frames" / f"F{k}.heic", quality=95, chroma=444)
    merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert samples(tmp_path / "picture.tif").dtype == np.uint16
    assert quality(scene, tmp_path / "picture.tif") > best_single + 2.0


def test_two_frames_are_better_than_either(scene: Scene, tmp_path: Path) -> None:
    lay(scene.frames[3:5], tmp_path / "frames")
    report = merged(tmp_path / "frames", tmp_path / "picture.tif", "--reference", "F0001.tif")
    assert [f["used"] for f in report["frames"]] == [True, True]
    mask = metrics.interior(scene.truth.shape)
    singles = [metrics.psnr(f.astype(np.float32) / 65535, scene.truth, mask) for f in scene.frames[3:5]]
    assert quality(scene, tmp_path / "picture.tif") > max(singles) + 0.5


def test_the_order_near_to_far_or_far_to_near_does_not_matter(
    scene: Scene, undisturbed: Any, tmp_path: Path
) -> None:
    lay(scene.frames[::-1], tmp_path / "frames")
    merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert quality(scene, tmp_path / "picture.tif") > undisturbed.psnr - 0.3
