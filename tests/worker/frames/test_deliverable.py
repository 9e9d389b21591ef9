"""Results as other programs see them: pixels, pyramid, profile, camera data, and no word of complaint."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from nearfar.errors import WorkFailed
from nearfar.frames import deliverable
from nearfar.frames.decode import decode, exif_block, read_header
from nearfar.frames.deliverable import (
    Composite,
    PictureTags,
    encode_tile,
    level_sizes,
    write_picture,
    write_preview,
)
from nearfar.frames.exif import ExifBlock
from nearfar.frames.ifd import ascii_tag
from nearfar.frames.xmp import read_key, xmp_packet
from tests.worker.frames.makers import Samples, jpeg_bytes, picture

ICC = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
CAMERA = [
    "-Make=Nordlys",
    "-Model=Field One",
    "-Artist=Test Bench Ågren",
    "-Copyright=Test Bench",
    "-Orientation#=6",
    "-DateTimeOriginal=2031:05:17 06:41:09",
    "-SubSecTimeOriginal=043",
    "-OffsetTimeOriginal=+02:00",
    "-SerialNumber=NF-00417",
    "-LensInfo=60 60 2.8 2.8",
    "-LensModel=Nordlys 60 mm f/2.8 Close",
    "-FocalLength=60",
    "-FNumber=5.6",
    "-ExposureTime=1/160",
    "-ExposureCompensation=-1/3",
    "-ISO=200",
    "-ColorSpace#=1",
    "-SubjectDistance=0.31",
    "-UserComment=tide pool, seventh rock",
    "-GPSLatitude=61.5",
    "-GPSLatitudeRef=N",
    "-GPSLongitude=5.25",
    "-GPSLongitudeRef=E",
    "-GPSAltitude=12.5",
    "-GPSTimeStamp=04:41:09",
]
# Rewritten for the result, or left out since they were true of the original's pixels only.
REPLACED = {"ExifVersion", "ExifImageWidth", "ExifImageHeight", "ComponentsConfiguration"}
# exiftool's check knows the baseline of TIFF 6.0 alone: strips, no Deflate. The last two are of the frame's own making
# and of Exif's wish to have the size only beside JPEG data.
EXPECTED_OF_TIFF = {
    "Invalid value for IFD0 tag 0x0103 Compression",
    "Missing required TIFF IFD0 tag 0x0111 StripOffsets",
    "Missing required TIFF IFD0 tag 0x0116 RowsPerStrip",
    "Missing required TIFF IFD0 tag 0x0117 StripByteCounts",
    "[minor] ExifIFD tag 0xa002 ExifImageWidth is not allowed in TIFF",
    "[minor] ExifIFD tag 0xa003 ExifImageHeight is not allowed in TIFF",
    "Missing required TIFF GPS tag 0x001b GPSProcessingMethod",
}


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a program of the machine; without it the test is skipped by name."""
    if shutil.which(str(command[0])) is None:
        pytest.skip(f"{command[0]} is not installed")
    return subprocess.run([str(part) for part in command], check=True, capture_output=True, text=True)


def seen_by_exiftool(path: Path) -> dict[str, Any]:
    """All tags as 'group:name', values as numbers."""
    done = run("exiftool", "-json", "-n", "-G1", "-a", "-D", path)
    values = json.loads(done.stdout)[0]
    return {name: value["val"] if isinstance(value, dict) else value for name, value in values.items()}


def complaints(path: Path) -> list[str]:
    """What exiftool's check against the standards finds."""
    lines = run("exiftool", "-validate", "-warning", "-error", "-a", "-s3", path).stdout.splitlines()
    return [line for line in lines[1:] if line]


def tiles(array: Samples) -> Iterator[bytes]:
    """A picture cut into encoded tiles, row by row, the rims repeated."""
    height, width, channels = array.shape
    padded = np.pad(array, ((0, -height % 512), (0, -width % 512), (0, 0)), mode="edge")
    for y in range(0, height, 512):
        for x in range(0, width, 512):
            yield encode_tile(np.ascontiguousarray(padded[y : y + 512, x : x + 512]))
    assert channels in (1, 3)


def halves(array: Samples, levels: int) -> list[Samples]:
    """The picture and every second pixel of it, again and again."""
    found = [array]
    while len(found) < levels:
        found.append(np.ascontiguousarray(found[-1][::2, ::2]))
    return found


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    """A JPEG with the camera data that exiftool knows to write, maker note and thumbnail included."""
    path = tmp_path / "frame.jpg"
    path.write_bytes(jpeg_bytes(picture(), icc_profile=ICC))
    thumbnail = tmp_path / "thumb.jpg"
    thumbnail.write_bytes(jpeg_bytes(picture(height=10, width=14)))
    run("exiftool", "-overwrite_original", "-q", *CAMERA, f"-ThumbnailImage<={thumbnail}", path)
    return path


def write(path: Path, array: Samples, *, levels: int = 2, **tags: Any) -> Path:
    """A whole result around an array."""
    height, width, channels = array.shape
    write_picture(
        path,
        width=width,
        height=height,
        channels=channels,
        levels=[tiles(level) for level in halves(array, levels)],
        tags=PictureTags(**tags),
    )
    return path


@pytest.fixture
def result(tmp_path: Path, frame: Path) -> Path:
    """A result with everything that it can carry."""
    return write(
        tmp_path / "picture.tif",
        picture(height=700, width=1100, dtype=np.uint16),
        levels=3,
        icc=ICC,
        exif=exif_block(read_header(frame)),
        xmp=xmp_packet(["frame.jpg"], "standard", "key-1", "Test 1"),
        software="Test 1",
        composite=Composite(in_set=5, used=4, exposure_times=(1 / 160, 1 / 80, 1 / 160, 1 / 160)),
    )


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("big", [False, True])
def test_pixels_come_back_through_four_readers(
    tmp_path: Path, channels: int, big: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if big:
        monkeypatch.setattr(deliverable, "CLASSIC_LIMIT", 1000)
    array = picture(height=700, width=1100, channels=channels, dtype=np.uint16)
    path = write(tmp_path / "picture.tif", array, levels=3)
    assert path.read_bytes()[2] == (43 if big else 42)
    flat = array if channels == 3 else array[:, :, 0]
    assert np.array_equal(tifffile.imread(path), flat)
    mode = cv2.IMREAD_UNCHANGED
    by_opencv = np.asarray(cv2.imread(str(path), mode))
    assert np.array_equal(by_opencv if channels == 1 else by_opencv[:, :, ::-1], flat)
    assert np.array_equal(decode(read_header(path))[:, :, :channels], array)
    assert read_header(path).in_parts
    if channels == 1:
        assert np.array_equal(np.asarray(Image.open(path)), flat)


def test_offsets_beyond_4_gib_are_real(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sparse file: the tiles lie behind 5 GiB of nothing, so that every offset needs 64 bits."""
    monkeypatch.setattr(deliverable, "HEADER_BYTES", 5 << 30)
    array = picture(height=520, width=600, dtype=np.uint16)
    path = write(tmp_path / "picture.tif", array, exif=ExifBlock(gps={1: ascii_tag("N")}))
    assert path.stat().st_size > 5 << 30
    assert path.stat().st_blocks * 512 < 64 << 20
    assert np.array_equal(tifffile.imread(path), array)
    assert np.array_equal(decode(read_header(path)), array)
    assert run("tiffinfo", "-d", path).stderr == ""
    assert exif_block(read_header(path)).gps[1].text() == "N"


def test_the_pyramid_hangs_below_the_picture(result: Path) -> None:
    levels = halves(picture(height=700, width=1100, dtype=np.uint16), 3)
    with tifffile.TiffFile(result) as file:
        assert len(file.pages) == 1
        assert file.series[0].is_pyramidal
        assert [level.shape for level in file.series[0].levels] == [level.shape for level in levels]
        for stored, level in zip(file.series[0].levels, levels, strict=True):
            assert np.array_equal(stored.asarray(), level)
        page = file.pages.first
        assert isinstance(page, tifffile.TiffPage)
        assert page.tile == (512, 512)
        assert page.tags[274].value == 1
        assert page.tags[34675].value == ICC
    assert level_sizes(1100, 700, 3) == [(1100, 700), (550, 350), (275, 175)]
    assert level_sizes(5, 3, 3) == [(5, 3), (3, 2), (2, 1)]


@pytest.mark.parametrize("big", [False, True])
def test_no_program_complains(
    tmp_path: Path, frame: Path, big: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if big:
        monkeypatch.setattr(deliverable, "CLASSIC_LIMIT", 1000)
    tags: dict[str, Any] = {
        "icc": ICC,
        "exif": exif_block(read_header(frame)),
        "composite": Composite(in_set=3, used=3),
    }
    path = write(
        tmp_path / "picture.tif",
        picture(height=600, width=520, dtype=np.uint16),
        xmp=xmp_packet(["a.jpg"], "standard", "k", "Test 1"),
        **tags,
    )
    done = run("tiffinfo", path)
    assert done.stderr == ""
    assert "Image Width: 520 Image Length: 600" in done.stdout
    assert run("tiffinfo", "-d", path).stderr == ""
    assert run("vipsheader", path).stderr == ""
    assert "520x600 ushort, 3 bands, rgb16" in run("vipsheader", path).stdout
    named = run("identify", f"{path}[0]")
    assert "520x600" in named.stdout
    assert named.stderr == ""
    if not big:  # in a BigTIFF, exiftool takes the GPS directory for another, and exiv2 reads none
        assert set(complaints(path)) <= EXPECTED_OF_TIFF
        noted = run("exiv2", "-pa", "print", path)
        assert "Exif.Photo.FNumber" in noted.stdout
        assert "Warning" not in noted.stderr


def test_the_camera_data_are_those_of_the_frame(frame: Path, result: Path) -> None:
    before, after = seen_by_exiftool(frame), seen_by_exiftool(result)
    camera = {name for name in before if name.startswith(("ExifIFD:", "GPS:"))}
    camera = {name for name in camera if name.split(":")[1] not in REPLACED}
    assert len(camera) >= 20
    assert {name: after.get(name) for name in camera} == {name: before[name] for name in camera}
    for name in ("Make", "Model", "Artist", "Copyright"):
        assert after[f"IFD0:{name}"] == before[f"IFD0:{name}"]
    assert after["IFD0:Orientation"] == 1
    assert (after["ExifIFD:ExifImageWidth"], after["ExifIFD:ExifImageHeight"]) == (1100, 700)
    assert after["ExifIFD:ExifVersion"] in (300, "0300")
    assert after["IFD0:Software"] == "Test 1"
    assert "IFD0:ModifyDate" not in after
    assert not [name for name in after if "Thumbnail" in name or name.startswith("IFD1")]


def test_it_says_that_it_is_made_of_several_exposures(result: Path) -> None:
    """Exif 2.32 and later as exiftool reads it; the order of the figures in the last tag is exiftool's."""
    found = seen_by_exiftool(result)
    assert found["ExifIFD:CompositeImage"] == 2
    assert found["ExifIFD:CompositeImageCount"] == "5 4"
    times = str(found["ExifIFD:CompositeImageExposureTimes"]).split()
    assert [float(times[place]) for place in (2, 4, 6)] == pytest.approx([5 / 160, 1 / 80, 1 / 160])
    assert times[7:9] == ["1", "4"]
    assert [float(value) for value in times[9:]] == pytest.approx([1 / 160, 1 / 80, 1 / 160, 1 / 160])


def test_camera_data_survive_a_second_round(tmp_path: Path, result: Path) -> None:
    block = exif_block(read_header(result))
    again = write(tmp_path / "again.tif", picture(dtype=np.uint16), exif=block)
    first, second = seen_by_exiftool(result), seen_by_exiftool(again)
    for name in first:
        if name.startswith("GPS:") or name in ("ExifIFD:FNumber", "ExifIFD:DateTimeOriginal"):
            assert second[name] == first[name]


def test_a_map_is_greyscale_with_a_description_and_without_camera_data(tmp_path: Path) -> None:
    array = picture(height=600, width=600, channels=1, dtype=np.uint16)
    path = write(tmp_path / "map.tif", array, levels=1, description="Focus map: 0 is the first frame")
    with tifffile.TiffFile(path) as file:
        assert file.pages.first.description == "Focus map: 0 is the first frame"
        assert 34665 not in file.pages.first.tags
        assert np.array_equal(file.asarray(), array[:, :, 0])
    assert run("tiffinfo", path).stderr == ""


def test_the_result_is_the_same_bytes_twice(tmp_path: Path) -> None:
    array = picture(height=600, width=600, dtype=np.uint16)
    one, other = (write(tmp_path / name, array, icc=ICC) for name in ("a.tif", "b.tif"))
    assert one.read_bytes() == other.read_bytes()


@pytest.mark.parametrize("count", [0, 3, 7])
def test_a_wrong_number_of_tiles_is_an_error(tmp_path: Path, count: int) -> None:
    tile = encode_tile(np.zeros((512, 512, 3), np.uint16))
    with pytest.raises(WorkFailed, match=rf"level 0 of 1000 x 1000 pixels got {count} of 4 tiles"):
        write_picture(
            tmp_path / "a.tif",
            width=1000,
            height=1000,
            channels=3,
            levels=[[tile] * count],
            tags=PictureTags(),
        )


def test_tiles_are_read_as_they_are_written(tmp_path: Path) -> None:
    """Memory holds one tile at a time: the writer takes from an iterator and keeps nothing."""
    alive: list[int] = []

    class Watched(bytes):
        def __del__(self) -> None:
            alive.pop()

    def produce() -> Iterator[bytes]:
        for _ in range(16):
            alive.append(1)
            assert len(alive) <= 2
            yield Watched(encode_tile(np.zeros((512, 512, 1), np.uint16)))

    write_picture(
        tmp_path / "a.tif", width=2048, height=2048, channels=1, levels=[produce()], tags=PictureTags()
    )


def test_a_tile_is_deflate_with_differences() -> None:
    """TIFF 6.0, section 14: the first pixel of a row, then differences to the pixel on the left, modulo 2^16."""
    tile = picture(height=512, width=512, dtype=np.uint16)
    stored = np.frombuffer(imagecodecs.zlib_decode(encode_tile(tile)), "<u2").reshape(512, 512, 3)
    assert np.array_equal(np.cumsum(stored, axis=1, dtype=np.uint16), tile)


@pytest.mark.parametrize("shape", [(512, 511, 3), (256, 512, 3), (512, 512)])
def test_a_tile_of_another_size_is_an_error(shape: tuple[int, ...]) -> None:
    with pytest.raises(WorkFailed, match="a tile must be"):
        encode_tile(np.zeros(shape, np.uint16))


@pytest.mark.parametrize("channels", [1, 3])
def test_a_preview_carries_its_profile_and_is_upright(tmp_path: Path, frame: Path, channels: int) -> None:
    array = picture(height=300, width=200, channels=channels)
    path = tmp_path / "preview.jpg"
    large = (len(ICC) + 70_000).to_bytes(4, "big") + ICC[4:] + bytes(70_000)
    write_preview(path, array, icc=large, exif=exif_block(read_header(frame)))
    with Image.open(path) as opened:
        assert opened.size == (200, 300)
        assert opened.mode == ("RGB" if channels == 3 else "L")
        assert opened.info["icc_profile"] == large
        assert opened.getexif()[274] == 1
        assert np.abs(np.asarray(opened).astype(int).reshape(array.shape) - array).mean() < 5
    header = read_header(path)
    assert (header.icc, header.orientation, header.camera.f_number) == (large, 1, 5.6)
    found = seen_by_exiftool(path)
    assert (found["ExifIFD:ExifImageWidth"], found["ExifIFD:ExifImageHeight"]) == (200, 300)
    assert found["GPS:GPSAltitude"] == 12.5
    assert complaints(path) == []
    turned = cv2.imread(str(path), cv2.IMREAD_COLOR)
    assert turned is not None
    assert turned.shape[:2] == (300, 200)


def test_a_preview_without_anything_is_a_plain_picture(tmp_path: Path) -> None:
    path = tmp_path / "preview.jpg"
    write_preview(path, picture(channels=1)[:, :, 0], icc=None)
    assert decode(read_header(path)).shape == (40, 56, 3)
    assert read_header(path).icc is None


def test_without_camera_data_there_is_no_empty_directory(tmp_path: Path) -> None:
    path = write(tmp_path / "a.tif", picture(dtype=np.uint16), exif=ExifBlock())
    found = seen_by_exiftool(path)
    assert found["ExifIFD:ExifImageWidth"] == 56
    assert not [name for name in found if name.startswith("GPS:")]
    assert read_key(path) is None
