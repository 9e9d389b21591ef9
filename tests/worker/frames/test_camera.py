"""Camera data: what exiftool wrote into a file is what is read; placeholders and broken tags read as nothing."""

from __future__ import annotations

import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from nearfar.frames.camera import CameraData, camera_data
from nearfar.frames.decode import decode, read_header
from nearfar.frames.exif import ExifBlock, block_from_bytes
from nearfar.frames.ifd import Tag, ascii_tag, rational_tag, short_tag
from tests.worker.frames.makers import (
    chunk,
    exif_bytes,
    jpeg_bytes,
    picture,
    png_bytes,
    write_dng,
    write_tiff,
)

WRITTEN = [
    "-Make=Nordlys",
    "-Model=Field One",
    "-DateTimeOriginal=2031:05:17 06:41:09",
    "-SubSecTimeOriginal=043",
    "-OffsetTimeOriginal=+02:00",
    "-SerialNumber=NF-00417",
    "-LensModel=Nordlys 60 mm f/2.8 Close",
    "-FocalLength=60",
    "-FNumber=5.6",
    "-ExposureTime=1/160",
    "-ExposureCompensation=-1/3",
    "-ISO=200",
    "-SubjectDistance=0.31",
]
READ = CameraData(
    date_time=datetime.fromisoformat("2031-05-17T06:41:09"),
    subsec=0.043,
    offset=timedelta(hours=2),
    make="Nordlys",
    model="Field One",
    body_serial="NF-00417",
    lens="Nordlys 60 mm f/2.8 Close",
    focal_length=60.0,
    f_number=5.6,
    exposure_time=1 / 160,
    exposure_bias=-1 / 3,
    iso=200.0,
    subject_distance=0.31,
)


def exiftool(*arguments: str | Path) -> str:
    """Run exiftool, the outside reference for camera data."""
    if shutil.which("exiftool") is None:
        pytest.skip("exiftool is not installed")
    done = subprocess.run(["exiftool", *map(str, arguments)], check=True, capture_output=True, text=True)
    return done.stdout


@pytest.mark.parametrize("order", ["II", "MM"])
@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff", "dng"])
def test_what_exiftool_writes_is_read(tmp_path: Path, kind: str, order: str) -> None:
    path = tmp_path / {"jpeg": "a.jpg", "png": "a.png", "dng": "a.dng"}.get(kind, "a.tif")
    match kind:
        case "jpeg":
            path.write_bytes(jpeg_bytes(picture()))
        case "png":
            path.write_bytes(png_bytes(picture()))
        case "dng":
            write_dng(path)
        case _:
            write_tiff(path, picture(dtype=np.uint16))
    exiftool("-overwrite_original", "-q", f"-ExifByteOrder={order}", *WRITTEN, path)
    header = read_header(path)
    found = header.camera
    assert found.exposure_bias == pytest.approx(-1 / 3, abs=1e-6)
    assert found == CameraData(
        **{**vars(READ), "exposure_bias": found.exposure_bias, "software": found.software}
    )
    assert found.taken() == datetime(2031, 5, 17, 4, 41, 9, 43000, tzinfo=UTC)
    assert decode(header).shape == (header.height, header.width, 3)


JUNK: dict[str, tuple[int, Tag]] = {
    "0/0": (0x829D, rational_tag((0, 0))),
    "division by zero": (0x829A, rational_tag((1, 0))),
    "all bits set": (0x9206, rational_tag((0xFFFFFFFF, 1))),
    "all bits set twice": (0x920A, rational_tag((0xFFFFFFFF, 0xFFFFFFFF))),
    "zero aperture": (0x829D, rational_tag((0, 10))),
    "zero distance": (0x9206, rational_tag((0, 1))),
    "full iso": (0x8827, short_tag(65535)),
    "zero iso": (0x8827, short_tag(0)),
    "65535 mm": (0xA405, short_tag(65535)),
    "negative distance": (
        0x9206,
        Tag(10, 1, (-5).to_bytes(4, "little", signed=True) + (1).to_bytes(4, "little")),
    ),
    "not a number": (0x829D, Tag(12, 1, np.float64(np.nan).tobytes())),
    "infinite": (0x829A, Tag(12, 1, np.float64(np.inf).tobytes())),
    "text for a number": (0x829D, ascii_tag("f/8")),
    "zero date": (0x9003, ascii_tag("0000:00:00 00:00:00")),
    "blank date": (0x9003, ascii_tag("    :  :     :  :  ")),
    "month 13": (0x9003, ascii_tag("2031:13:01 00:00:00")),
    "number for a date": (0x9003, short_tag(2031)),
    "blank lens": (0xA434, ascii_tag("   ")),
    "dashes for a lens": (0xA434, ascii_tag("----")),
    "zeros for a serial": (0xA431, ascii_tag("0000000")),
}


@pytest.mark.parametrize("case", JUNK)
def test_junk_reads_as_nothing(case: str) -> None:
    number, tag = JUNK[case]
    assert camera_data(ExifBlock(exif={number: tag})) == CameraData()


def test_a_full_iso_tag_gives_way_to_the_wide_ones() -> None:
    """Exif 3.0, note on PhotographicSensitivity: 65535 stands for 'see the 32-bit tags'."""
    wide = Tag(4, 1, (102_400).to_bytes(4, "little"))
    assert camera_data(ExifBlock(exif={0x8827: short_tag(65535), 0x8832: wide})).iso == 102_400


def test_apex_values_stand_in_for_missing_ones() -> None:
    """APEX by definition: Av 5 is f/5.657, Tv 7 is 1/128 s."""
    found = camera_data(ExifBlock(exif={0x9202: rational_tag((5, 1)), 0x9201: rational_tag((7, 1))}))
    assert found.f_number == pytest.approx(5.657, abs=1e-3)
    assert found.exposure_time == pytest.approx(1 / 128)


def test_the_time_of_change_is_the_last_resort() -> None:
    block = ExifBlock(image={0x0132: ascii_tag("2031:05:17 07:00:00")}, exif={0x9291: ascii_tag("500")})
    found = camera_data(block)
    assert found.date_time == datetime.fromisoformat("2031-05-17T07:00:00")
    assert found.subsec is None


@pytest.mark.parametrize(
    ("text", "hours"), [("+05:45", 5.75), ("-03:00", -3), ("Z", 0), ("+99:00", None), ("", None)]
)
def test_offsets_are_read(text: str, hours: float | None) -> None:
    block = ExifBlock(exif={0x9003: ascii_tag("2031:05:17 07:00:00"), 0x9011: ascii_tag(text)})
    assert camera_data(block).offset == (None if hours is None else timedelta(hours=hours))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"Exif\0\0",
        b"II*\0\xff\xff\xff\xff",
        b"MM\0*\0\0\0\x08\xff\xff",
        b"II*\0\x08\0\0\0\x01\0\x0f\x01\x02\0\xff\xff\xff\xff\x10\0\0\0",
        b"II*\0\x08\0\0\0\x02\0\x69\x87\x04\0\x01\0\0\0\x08\0\0\0\x25\x88\x04\0\x01\0\0\0\x08\0\0\0\0\0\0\0",
        exif_bytes(t271="Nordlys")[:-3],
    ],
)
def test_a_broken_block_never_stops(data: bytes) -> None:
    assert isinstance(camera_data(block_from_bytes(data)), CameraData)


def test_a_broken_block_never_stops_a_file(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(png_bytes(picture(), extra=chunk(b"eXIf", b"MM\0*\0\0\0\x08\xff\xff\0\0")))
    assert np.array_equal(decode(read_header(path)), picture())
