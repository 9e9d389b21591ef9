"""``nearfar plan`` from its options to what it says and writes."""

from __future__ import annotations

import argparse
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.bracket import Shoot, plan_bracket
from nearfar.cli import plan as plan_command
from nearfar.errors import InputRefused, UsageError
from tests.scenes import Camera, frame_bytes

LANDSCAPE = "--focal 24mm --f 8 --near 1m --far inf --criterion 10um --overlap 30%"


def run(text: str, *more: str) -> int:
    parser = argparse.ArgumentParser(prog="nearfar")
    plan_command.add_parsers(parser.add_subparsers())
    options = parser.parse_args(["plan", *text.split(), *more])
    return int(options.run(options, None))


def run_json(capsys: pytest.CaptureFixture[str], text: str, *more: str) -> Any:
    assert run(text, "--json", *more) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("text", "frames"),
    # The worked examples of test_planning.
    [
        (LANDSCAPE, 6),
        ("--magnification 1:1 --f 5.6 --depth 12mm --criterion 20um", 40),
        ("--objective 10/0.28 --depth 0.5mm", 103),
        ("--focal 24mm --f f/8 --near 1000mm --depth 4ft --criterion 0.01mm", None),
        ("--sensor aps-c --focal 35mm --f 8 --near 2ft --far 10ft --from sensor", None),
    ],
)
def test_options_become_a_plan(capsys: pytest.CaptureFixture[str], text: str, frames: int | None) -> None:
    found = run_json(capsys, text)
    assert found["frames"] == len(found["steps"])
    assert frames is None or found["frames"] == frames


def test_a_plan_reads_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(LANDSCAPE, "--exposure", "1/60", "--settle", "2s", "--pixels", "6000x4000") == 0
    text = capsys.readouterr().out
    for words in (
        "6 with the focus ring",
        "hyperfocal distance",
        "in one shot",
        "time",
        "card space",
        "f/5.6",
        "Never point a lens at or near the sun",
        "Local rules",
    ):
        assert words in text


def test_a_long_bracket_lists_its_ends_only(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--objective 10/0.28 --depth 0.5mm") == 0
    assert "..." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("--focal 24 --f 8 --near 1 --far inf --criterion 10um", "--near '1': the unit is missing"),
        ("--objective 10/0.28 --f 8 --depth 1mm", "goes without --focal and --f"),
        ("--focal 50mm --f 8 --near 40mm --far 1m --criterion 30um", "within its focal length"),
        ("--against .", "needs the plan"),
        (f"{LANDSCAPE} --card out.txt", "expected .html"),
        (f"{LANDSCAPE} --card nowhere/at/all.html", "there is no folder"),
    ],
)
def test_slips_are_told_in_words(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        run(text)


def test_a_card_is_written_and_written_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "card.html"
    for _ in range(2):
        assert run(LANDSCAPE, "--card", str(target), "--title", "Cliff") == 0
    assert "<h1>Cliff</h1>" in target.read_text(encoding="utf-8")
    assert [p.name for p in tmp_path.iterdir()] == ["card.html"]


def test_what_is_no_card_is_never_written_over(tmp_path: Path) -> None:
    target = tmp_path / "precious.html"
    target.write_bytes(b"somebody's page")
    with pytest.raises(UsageError, match="not overwritten"):
        run(LANDSCAPE, "--card", str(target))
    assert target.read_bytes() == b"somebody's page"


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A folder of tiny frames at the planned marks, the fourth missing; and the plan."""
    folder = tmp_path_factory.mktemp("card")
    plan = plan_bracket(Shoot(focal=24, f_number=8, near=1000, far=20_000, criterion="10um"))
    frames = folder / "frames"
    frames.mkdir()
    noise = np.random.default_rng(1).integers(0, 65535, (48, 64, 3)).astype(np.uint16)
    for step in plan.steps:
        assert step.mark is not None
        camera = Camera(distance=Fraction(round(step.mark), 1000))
        if step.number != 4:
            data = frame_bytes(noise, "jpeg", number=step.number, camera=camera)
            (frames / f"F{step.number:04d}.jpg").write_bytes(data)
    kept = folder / "plan.json"
    kept.write_text(json.dumps(plan.to_json()), encoding="utf-8")
    return frames, kept


def test_frames_are_compared_with_a_plan_by_their_focus_distances(
    shot: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    frames, kept = shot
    before = {p: p.read_bytes() for p in frames.iterdir()}
    found = run_json(capsys, "", "--against", str(frames), str(kept))
    assert (found["by"], found["missed"], found["disordered"], found["extra"]) == ("distance", [4], [], [])
    assert {p: p.read_bytes() for p in frames.iterdir()} == before
    assert run("", "--against", str(frames), str(kept)) == 0
    assert "frame 4 was missed, at" in capsys.readouterr().out


def test_a_kept_plan_is_shown_again(shot: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    kept = json.loads(shot[1].read_text(encoding="utf-8"))
    assert run_json(capsys, "", str(shot[1])) == kept


def test_what_is_no_plan_is_refused_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="gone.json: No such file"):
        run("", str(tmp_path / "gone.json"))
    (tmp_path / "odd.json").write_text("{}", encoding="utf-8")
    with pytest.raises(InputRefused, match="odd.json: this is not the plan"):
        run("", str(tmp_path / "odd.json"))
