"""The report: every frame with its pose in words, warnings, gaps and notes; the same for programs and people."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.frames.camera import CameraData
from nearfar.frames.headers import FrameHeader
from nearfar.merge.coverage.result import Coverage, Finding
from nearfar.merge.deliver.report import Findings, Report, build_report
from nearfar.merge.focus.gaps import Gap
from nearfar.merge.keys import Fingerprint
from nearfar.merge.noise import Noise
from nearfar.merge.plan import Plan
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import FramePose, Registration
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor import Spots
from nearfar.merge.survey import Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack
from tests.worker.merge.kernel.stacks import similarity

SIZE = (600, 400)
STEPS = {"survey": 1.0, "register": 2.0, "focus": 0.5, "render": 4.0, "total": 9.25}
MIB = 1 << 20


def surveyed(name: str, **changes: Any) -> Surveyed:
    usual: dict[str, Any] = {
        "path": Path("frames") / name,
        "kind": "tiff",
        "width": SIZE[0],
        "height": SIZE[1],
        "channels": 3,
        "bits": 16,
        "stored_bits": 16,
        "orientation": 1,
        "icc": None,
        "camera": CameraData(),
        "in_parts": True,
        "plain": None,
        "notes": (),
        "decode_bytes": 0,
    }
    mark = Fingerprint(size=1, mtime_ns=2, ctime_ns=3, inode=4, device=5)
    header = FrameHeader(**(usual | changes))
    return Surveyed(header=header, digest=f"digest of {name}", fingerprint=mark, key="k", rows=None)


def pose(**changes: Any) -> FramePose:
    usual: dict[str, Any] = {
        "used": True,
        "why": None,
        "pose": similarity(1, 0, (0, 0), SIZE),
        "gain_ev": 0.0,
        "confidence": 0.98,
        "likeness": 0.95,
        "sigma": 0.02,
        "drift": 0.05,
    }
    return FramePose(**(usual | changes))


OUT = {
    "used": False,
    "why": "shows next to nothing: a covered lens",
    "pose": None,
    "confidence": 0.0,
    "likeness": math.nan,
    "sigma": math.inf,
    "drift": math.inf,
}


PLAN = Plan(
    limit=700 * MIB,
    peak=300 * MIB,
    survey_threads=1,
    threads=2,
    tile=128,
    work_limit=1,
    ceiling=1,
    scratch=1,
    result=1,
    least=1,
)


def report(frames: Sequence[Surveyed] = (), notes: Sequence[str] = (), **changes: Any) -> Report:
    """A report of three frames, the last of which is left out."""
    stack = SurveyedStack(
        scratch=Scratch(Path("/nowhere")),
        frames=frames or [surveyed("A.tif"), surveyed("B.tif"), surveyed("C.tif")],
        noise=Noise(variance=np.full(8, 0.004**2), bands=np.ones(3)),
        recipe=Recipe(name="macro"),
        threads=1,
    )
    usual: dict[str, Any] = {
        "registration": Registration(
            reference=0,
            frames=(pose(), pose(pose=similarity(1.02, 0.01, (3.5, -2.0), SIZE), gain_ev=0.05), pose(**OUT)),
            warnings=(),
        ),
        "share": {0: 0.625, 1: 0.375},
        "sharpness": [1.0, 0.8, 0.0],
        "gaps": [],
        "soft": False,
        "coverage": Coverage(frames=2),
        "spots": Spots(),
        "moved": [],
    }
    made = build_report(stack, Findings(**(usual | changes)), plan=PLAN, key="abc", notes=notes)
    return made.timed(STEPS, 250 * MIB)


def test_it_says_first_that_nothing_is_sharp() -> None:
    told = report(soft=True).content["warnings"]
    assert told[0].startswith("next to nothing is sharp in any frame")
    assert report().content["warnings"] == told[1:]


def test_it_holds_what_programs_rely_on() -> None:
    told = json.loads(json.dumps(report().content, allow_nan=False))
    assert told["format"] == "nearfar-report/1"
    assert told["reference"] == "A.tif"
    assert told["size"] == [600, 400]
    assert set(told["seconds"]) == {"survey", "register", "focus", "render", "deliver", "total"}
    assert told["memory"] == {"limit": 700 * MIB, "planned": 300 * MIB, "peak": 250 * MIB}
    assert told["software"]["nearfar"].startswith("Nearfar ")
    assert (told["recipe"], told["noise"], told["key"]) == ("macro", 0.004, "abc")
    for one in told["frames"]:
        assert set(one) >= {"name", "used", "why", "pose", "gain_ev", "confidence", "share"}
    assert [f["used"] for f in told["frames"]] == [True, True, False]
    assert [f["share"] for f in told["frames"]] == [0.625, 0.375, 0.0]


def test_a_pose_comes_back_bit_for_bit_and_is_told_in_words() -> None:
    turned = similarity(1.02, 0.01, (3.5, -2.0), SIZE)
    told = json.loads(json.dumps(report().content))["frames"][1]
    np.testing.assert_array_equal(np.array(told["pose"]), turned)
    assert told["shift"] == [3.5, -2.0]
    assert told["scale"] == pytest.approx(1.02, abs=1e-6)
    assert told["roll"] == pytest.approx(0.01, abs=1e-6)


def test_a_frame_that_is_left_out_says_why_and_has_no_pose() -> None:
    told = report().content["frames"][2]
    assert told["pose"] is None
    assert told["why"] == OUT["why"]
    assert "shift" not in told
    assert told["likeness"] is None
    assert told["sigma"] is None
    assert told["drift"] is None


def test_the_seconds_add_up_to_the_whole() -> None:
    spent = report().content["seconds"]
    assert spent["deliver"] == 1.75
    assert sum(v for k, v in spent.items() if k != "total") == pytest.approx(spent["total"])


def test_flicker_is_pointed_out() -> None:
    def lit(*gains: float) -> list[str]:
        frames = tuple(pose(gain_ev=g) for g in gains)
        registration = Registration(reference=0, frames=frames, warnings=("moved",))
        return list(report(registration=registration).content["warnings"])

    assert lit(-0.04, 0.04, 0.0) == ["moved"]
    assert lit(-0.2, 0.25, 0.0)[0] == "moved"
    assert "0.45 EV" in lit(-0.2, 0.25, 0.0)[1]


def test_the_same_remark_on_many_frames_is_told_once() -> None:
    alpha = ("transparency was left alone",)
    frames = [
        surveyed("A.tif", notes=alpha),
        surveyed("with: colon.tif", notes=alpha),
        surveyed("C.tif", notes=("further pages were left alone: 2 of them",)),
    ]
    assert report(frames=frames, notes=("a folder was passed over",)).content["notes"] == [
        "a folder was passed over",
        "2 frames, A.tif first: transparency was left alone",
        "C.tif: further pages were left alone: 2 of them",
    ]


def test_people_read_every_frame_in_a_table() -> None:
    text = report().text()
    assert text.startswith("2 of 3 frames became one picture of 600 x 400 pixels.\n")
    assert "geometry is that of A.tif. Recipe: macro." in text
    rows = {line.split()[0]: line for line in text.splitlines() if line.startswith("  ")}
    assert "62.5 %" in rows["A.tif"]
    assert "+3.5,   -2.0" in rows["B.tif"]
    assert "1.02000" in rows["B.tif"]
    assert rows["C.tif"].endswith("left out: shows next to nothing: a covered lens")
    assert "9.2 s: survey 1.0" in text or "9.3 s: survey 1.0" in text
    assert "250 MiB at the most, 700 MiB allowed" in text


def test_sections_are_there_where_they_have_something_to_say() -> None:
    plain = report().text()
    for title in ("Not sharp in any frame", "Worth a look", "Left alone"):
        assert title not in plain
    gap = Gap(box=(16, 32, 160, 64), share=0.12, after="A.tif", before="B.tif")
    registration = Registration(reference=0, frames=(pose(), pose(), pose()), warnings=("B.tif moved",))
    told = report(gaps=[gap], registration=registration, notes=("one file was passed over",))
    text = told.text()
    assert "between A.tif and B.tif (at x 16 to 176, y 32 to 96)" in text
    assert "- B.tif moved" in text
    assert "- one file was passed over" in text
    assert told.content["gaps"][0]["box"] == [16, 32, 160, 64]


def test_raw_frames_of_different_white_balance_are_pointed_out() -> None:
    def told(*notes: str) -> list[str]:
        frames = [surveyed(f"{k}.dng", kind="raw", notes=(note,)) for k, note in enumerate(notes)]
        return [w for w in report(frames=frames).content["warnings"] if "white balance" in w]

    one, other = (f"developed with the white balance in the file (red {v})" for v in (2.0, 1.9))
    assert told(one, one, one) == []
    assert len(told(one, other, one)) == 1


def test_one_frame_is_a_report_as_well() -> None:
    one = report(
        frames=[surveyed("A.tif")],
        registration=Registration(reference=0, frames=(pose(),), warnings=()),
        share={0: 1.0},
        sharpness=[1.0],
    )
    assert one.text().startswith("1 of 1 frames became one picture")


def test_what_the_frames_leave_out_is_told_once() -> None:
    """A slice that is a gap in the picture as well is told as the gap; the rest as warnings."""
    slices = [Finding(kind="slice", after="A.tif", before="B.tif", more=1, share=0.1)]
    late = Finding(kind="start", before="A.tif", share=0.2)
    gap = Gap(box=(0, 0, 10, 10), share=0.1, after="A.tif", before="B.tif")
    alone = report(coverage=Coverage(frames=2, findings=(*slices, late))).content
    beside = report(coverage=Coverage(frames=2, findings=(*slices, late)), gaps=[gap]).content
    assert alone["warnings"] == [slices[0].text(), late.text()]
    assert beside["warnings"] == [late.text()]
    assert [f["kind"] for f in beside["coverage"]["findings"]] == ["slice", "start"]


def test_frames_left_out_with_another_orientation_are_pointed_out() -> None:
    frames = [surveyed("A.tif"), surveyed("B.tif"), surveyed("C.tif", orientation=3)]
    (warning,) = [w for w in report(frames=frames).content["warnings"] if "orientation" in w]
    assert "C.tif (3)" in warning
    assert not [w for w in report().content["warnings"] if "orientation" in w]
    frames[2] = surveyed("C.tif", tagged=3)
    (warning,) = [w for w in report(frames=frames).content["warnings"] if "orientation" in w]
    assert "C.tif (3)" in warning
    (note,) = [n for n in report(frames=frames).content["notes"] if "orientation" in n]
    assert "C.tif carries 3" in note
