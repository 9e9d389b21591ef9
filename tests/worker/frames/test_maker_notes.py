"""Maker notes: what exiftool reads out of a note is what we read; junk and damage read as nothing."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from nearfar.frames.camera import CameraData
from nearfar.frames.glance import glance
from nearfar.frames.ifd import Read
from nearfar.frames.maker_notes import with_maker_note
from tests.worker.frames import notes


def exiftool(path: Path, *wanted: str) -> dict[str, Any]:
    """What exiftool, the outside reference for maker notes, reads."""
    if shutil.which("exiftool") is None:
        pytest.skip("exiftool is not installed")
    told = subprocess.run(
        ["exiftool", "-j", "-G0", *wanted, path], check=True, capture_output=True, text=True
    )
    found: dict[str, Any] = json.loads(told.stdout)[0]
    return found


CASES: dict[str, tuple[str, notes.Note, dict[str, Any], dict[str, Any]]] = {
    "canon": (
        "Canon",
        notes.canon(),
        {
            "BracketMode": "FEB",
            "BracketShotNumber": 7,
        },
        {
            "bracket": "focus",
            "shot": 7,
            "focus_distance": 0.32,
            "body_serial": "417000123",
        },
    ),
    "nikon": (
        "NIKON CORPORATION",
        notes.nikon(),
        {"ShootingMode": "Continuous, Exposure Bracketing", "SerialNumber": 3001234},
        {"bracket": "exposure", "body_serial": "3001234"},
    ),
    "olympus": (
        "OLYMPUS CORPORATION",
        notes.olympus(),
        {"DriveMode": "Focus Bracketing, Shot 4", "FocusDistance": "0.312 m", "SerialNumber": "BJ7A12345"},
        {"bracket": "focus", "shot": 4, "focus_distance": 0.312, "body_serial": "BJ7A12345"},
    ),
    "om": (
        "OM Digital Solutions",
        notes.olympus(b"OM SYSTEM\0\0\0II\x04\0"),
        {"DriveMode": "Focus Bracketing, Shot 4", "FocusDistance": "0.312 m"},
        {"bracket": "focus", "shot": 4, "focus_distance": 0.312},
    ),
    "panasonic": (
        "Panasonic",
        notes.panasonic(),
        {"BurstMode": "Focus Bracketing", "SequenceNumber": 5},
        {"bracket": "focus", "shot": 5},
    ),
    "sony": (
        "SONY",
        notes.sony(),
        {"ReleaseMode": "Exposure Bracketing", "SequenceNumber": 2},
        {"bracket": "exposure", "shot": 2},
    ),
    "fujifilm": ("FUJIFILM", notes.fujifilm(), {"SequenceNumber": 9}, {"shot": 9}),
}


@pytest.mark.parametrize("case", CASES)
def test_a_makers_note_is_read_as_exiftool_reads_it(tmp_path: Path, case: str) -> None:
    make, note, outside, ours = CASES[case]
    path = notes.write(tmp_path / "a.jpg", make, note)
    told = exiftool(path, *(f"-MakerNotes:{name}" for name in outside))
    assert {name: told.get(f"MakerNotes:{name}") for name in outside} == outside
    camera = glance(path).camera
    assert {name: getattr(camera, name) for name in ours} == pytest.approx(ours)


@pytest.mark.parametrize(
    ("make", "note", "name"),
    [
        ("Canon", notes.canon(near=0xFFFF, far=0xFFFF), "focus_distance"),
        ("Canon", notes.canon(near=0, far=0), "focus_distance"),
        ("Canon", notes.canon(mode=-1), "bracket"),
        ("NIKON CORPORATION", notes.nikon(mode=0xFFFF), "bracket"),
        ("OLYMPUS CORPORATION", notes.olympus(distance=(0xFFFFFFFF, 1)), "focus_distance"),
        ("OLYMPUS CORPORATION", notes.olympus(distance=(0, 0)), "focus_distance"),
        ("Panasonic", notes.panasonic(mode=0xFFFF), "bracket"),
        ("Panasonic", notes.panasonic(shot=0xFFFFFFFF), "shot"),
        ("SONY", notes.sony(mode=0xFFFF, shot=0xFFFF), "shot"),
        ("SONY", notes.sony(mode=0xFFFF, shot=0xFFFF), "bracket"),
        ("FUJIFILM", notes.fujifilm(shot=0), "shot"),
    ],
)
def test_values_that_stand_for_nothing_read_as_nothing(
    tmp_path: Path, make: str, note: notes.Note, name: str
) -> None:
    assert getattr(glance(notes.write(tmp_path / "a.jpg", make, note)).camera, name) is None


def reader(data: bytes) -> Read:
    """Reads a block in memory."""
    return lambda offset, size: data[offset : offset + size] if offset >= 0 and size > 0 else b""


@pytest.mark.parametrize("case", CASES)
def test_a_damaged_note_never_stops_a_file(case: str) -> None:
    make, note, _, _ = CASES[case]
    whole = notes.block(make, note)
    for cut in range(0, len(whole), 7):
        data = (
            whole[:cut]
            + bytes(b ^ 0xFF for b in whole[cut : cut + 3])
            + whole[cut + 3 : len(whole) - cut // 3]
        )
        camera = with_maker_note(CameraData(model="Bench 3"), reader(data))
        assert camera.model == "Bench 3"
