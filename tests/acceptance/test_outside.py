"""The picture in programs that are not ours: each opens it, and finds profile and camera data.

ExifTool, Exiv2, libtiff's tiffinfo, ImageMagick's identify and libvips; each test is skipped where its program is
not installed.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from tests.acceptance.command import lay, merged, samples, side_files, tags_of
from tests.scenes import Scene
from tests.scenes.tags import srgb_profile


def _ran(*command: str | Path) -> tuple[str, str]:
    """Both outputs of a program that has to end well."""
    if shutil.which(str(command[0])) is None:
        pytest.skip(f"{command[0]} is not installed")
    done = subprocess.run([str(c) for c in command], capture_output=True, timeout=60)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace")


def _by_exiftool(path: Path, tags: Sequence[str] = ()) -> dict[str, Any]:
    (found,) = json.loads(_ran("exiftool", "-j", "-n", *(f"-{t}" for t in tags), path)[0])
    return {k: v for k, v in found.items() if k != "SourceFile"}


def test_exiftool_reads_the_reference_frames_camera_data(undisturbed: Any) -> None:
    tags = (
        *("Make", "Model", "LensModel", "SerialNumber", "FocalLength", "FNumber", "ExposureTime", "ISO"),
        *("DateTimeOriginal", "SubSecTimeOriginal"),
    )
    expected = _by_exiftool(undisturbed.frames / undisturbed.report["reference"], tags)
    assert len(expected) == len(tags)
    assert _by_exiftool(undisturbed.out, tags) == expected


def test_exiftool_finds_nothing_to_warn_of_and_what_the_picture_is(undisturbed: Any) -> None:
    found = _by_exiftool(undisturbed.out)
    assert "Warning" not in found
    assert "Error" not in found
    assert (found["ImageWidth"], found["ImageHeight"], found["BitsPerSample"]) == (480, 360, "16 16 16")
    assert found["Orientation"] == 1
    assert found["CompositeImage"] == 2
    assert found["CompositeImageCount"] == "7 7"
    assert found["Software"].startswith("Nearfar ")


def test_exiftool_takes_out_the_frames_very_profile(undisturbed: Any) -> None:
    if shutil.which("exiftool") is None:
        pytest.skip("exiftool is not installed")
    done = subprocess.run(
        ["exiftool", "-b", "-icc_profile", undisturbed.out], capture_output=True, check=True, timeout=60
    )
    assert done.stdout == srgb_profile()


def test_exiftool_reads_what_the_picture_was_made_from(undisturbed: Any) -> None:
    found = _by_exiftool(undisturbed.out, ("XMP:all",))
    assert [Path(p).name for p in found["IngredientsFilePath"]] == [
        f["name"] for f in undisturbed.report["frames"]
    ]
    assert Path(found["DerivedFromFilePath"]).name == undisturbed.report["reference"]
    assert "recipe standard" in str(found["HistoryParameters"])


def test_exiv2_reads_the_camera_data(undisturbed: Any) -> None:
    text, complaints = _ran("exiv2", "-pa", undisturbed.out)
    assert "Ulmstead Flat 60/2.8" in text
    assert complaints == ""


def test_tiffinfo_has_nothing_to_warn_of(undisturbed: Any) -> None:
    for path in (undisturbed.out, *(side_files(undisturbed.out)[e] for e in ("focus.tif", "doubt.tif"))):
        text, complaints = _ran("tiffinfo", path)
        assert "warning" not in (text + complaints).casefold()


def test_identify_sees_a_16_bit_picture(undisturbed: Any) -> None:
    text, complaints = _ran("identify", "-format", "%m %w %h %z %[colorspace]\n", undisturbed.out)
    assert text.splitlines()[0] == "TIFF 480 360 16 sRGB"
    assert complaints == ""


def test_vips_sees_a_16_bit_picture_and_its_profile(undisturbed: Any) -> None:
    text, complaints = _ran("vipsheader", "-a", undisturbed.out)
    assert "width: 480" in text
    assert "height: 360" in text
    assert "format: ushort" in text
    assert "icc-profile-data" in text
    assert complaints == ""


def test_vips_and_opencv_read_the_same_samples_as_tifffile(undisturbed: Any, tmp_path: Path) -> None:
    expected = samples(undisturbed.out)
    by_opencv = cv2.imread(str(undisturbed.out), cv2.IMREAD_UNCHANGED)
    assert by_opencv is not None
    assert np.array_equal(by_opencv[:, :, ::-1], expected)
    _ran("vips", "copy", undisturbed.out, tmp_path / "copy.png")
    by_vips = cv2.imread(str(tmp_path / "copy.png"), cv2.IMREAD_UNCHANGED)
    assert by_vips is not None
    assert np.array_equal(by_vips[:, :, ::-1], expected)


def test_the_picture_has_tiles_a_profile_and_deflate_with_predictor(undisturbed: Any) -> None:
    with tifffile.TiffFile(undisturbed.out) as file:
        assert len(file.pages) == 1
    tags = tags_of(undisturbed.out)  # numbers of TIFF 6.0: tile width and length, compression, predictor
    assert (tags[322], tags[323], int(tags[259]), int(tags[317])) == (512, 512, 8, 2)


@pytest.fixture(scope="module")
def tiled(large: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture of four tiles with a reduced level, of JPEG frames with a place on Earth."""
    folder = tmp_path_factory.mktemp("tiled")
    paths = lay(large.frames, folder / "frames", format="jpeg")
    where = ("-GPSLatitude=47.5", "-GPSLatitudeRef=S", "-GPSLongitude=12.25", "-GPSLongitudeRef=W")
    _ran("exiftool", "-q", "-overwrite_original", *where, *paths)
    merged(folder / "frames", folder / "picture.tif")
    return folder / "picture.tif"


def test_a_larger_picture_has_its_reduced_level_in_a_directory_below(tiled: Path) -> None:
    with tifffile.TiffFile(tiled) as file:
        assert [level.shape for level in file.series[0].levels] == [(560, 640, 3), (280, 320, 3)]
        full, half = (level.asarray().astype(np.float64) for level in file.series[0].levels)
    means = (full[0::2, 0::2] + full[1::2, 0::2] + full[0::2, 1::2] + full[1::2, 1::2]) / 4
    assert np.abs(means - half).max() <= 1


def test_all_programs_open_the_larger_picture_as_well(tiled: Path) -> None:
    assert "warning" not in "".join(_ran("tiffinfo", tiled)).casefold()
    assert _ran("exiv2", "-pa", tiled)[1] == ""
    text, complaints = _ran("identify", "-format", "%m %w %h %z\n", tiled)
    assert (text.splitlines()[0], complaints) == ("TIFF 640 560 16", "")
    text, complaints = _ran("vipsheader", "-a", tiled)
    assert ("width: 640" in text, "format: ushort" in text, complaints) == (True, True, "")
    assert "Warning" not in _by_exiftool(tiled)


def test_the_place_on_earth_is_kept(tiled: Path) -> None:
    found = _by_exiftool(tiled, ("GPSLatitude", "GPSLongitude"))
    assert found == {"GPSLatitude": pytest.approx(-47.5), "GPSLongitude": pytest.approx(-12.25)}


def test_the_preview_carries_camera_data_and_profile(undisturbed: Any) -> None:
    with Image.open(side_files(undisturbed.out)["preview.jpg"]) as preview:
        assert preview.info["icc_profile"] == srgb_profile()
        assert preview.getexif()[0x0110] == "Bench 3"
        assert preview.getexif()[0x0112] == 1
