"""Side-cars: what exiftool writes into one is read; anything else says nothing."""

from __future__ import annotations

import shutil
import subprocess
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from nearfar.frames.side_car import read_side_car


def test_what_exiftool_writes_into_a_side_car_is_read(tmp_path: Path) -> None:
    if shutil.which("exiftool") is None:
        pytest.skip("exiftool is not installed")
    path = tmp_path / "NF_0001.xmp"
    told = [
        "-XMP:DateTimeOriginal=2031:05:17 06:41:09.25+02:00",
        "-XMP:Model=Bench 3",
        "-XMP-aux:SerialNumber=417",
    ]
    told += ["-XMP:FocalLength=60", "-XMP:FNumber=5.6", "-XMP:ExposureTime=1/125", "-XMP-aux:Lens=Flat 60"]
    subprocess.run(["exiftool", "-q", *told, path], check=True)
    found = read_side_car(path)
    assert found == {
        "date_time": datetime.fromisoformat("2031-05-17T06:41:09"),
        "subsec": 0.25,
        "offset": timedelta(hours=2),
        "model": "Bench 3",
        "body_serial": "417",
        "lens": "Flat 60",
        "focal_length": 60.0,
        "f_number": 5.6,
        "exposure_time": pytest.approx(1 / 125),
    }


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"no XML",
        b"<a><b></a>",
        b'<!DOCTYPE x [<!ENTITY a "1">]><x xmlns:t="http://ns.adobe.com/tiff/1.0/" t:Model="&a;"/>',
        b'<x xmlns:e="http://ns.adobe.com/exif/1.0/" e:FNumber="0/0" e:ExposureTime="-1" e:DateTimeOriginal="0000"/>',
        b'<x xmlns:a="http://ns.adobe.com/exif/1.0/aux/" a:SerialNumber="0000"/>',
    ],
)
def test_anything_else_says_nothing(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.xmp"
    path.write_bytes(data)
    assert read_side_car(path) == {}


def test_a_side_car_that_is_not_there_says_nothing(tmp_path: Path) -> None:
    assert read_side_car(tmp_path / "a.xmp") == {}
