"""``nearfar sort`` at the keyboard: the form for programs, the listing for people, decisions on top."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.cli import sort
from nearfar.errors import InputRefused
from tests.scenes import card_events as events
from tests.scenes.card import Body, Truth, add_junk, write_events
from tests.scenes.card_views import make_place

SIZE = (300, 200)


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """A card with two stacks, single frames between them, and junk."""
    folder, truth = tmp_path_factory.mktemp("card"), Truth()
    random = np.random.default_rng(11)
    day = [
        events.stack(random, make_place(random, "macro", SIZE), "flash", frames=10),
        events.singles(random, SIZE, 2),
    ]
    day.append(events.stack(random, make_place(random, "table", SIZE), "hand", frames=8))
    write_events(folder, Body(size=SIZE), day, truth)
    add_junk(folder, truth)
    return folder, truth


def run(*words: object) -> int:
    parser = argparse.ArgumentParser()
    sort.add_parsers(parser.add_subparsers())
    options = parser.parse_args(["sort", *map(str, words)])
    return int(options.run(options, None))


def told(capsys: pytest.CaptureFixture[str], *words: object) -> Any:
    assert run(*words, "--json") == 0
    return json.loads(capsys.readouterr().out)


def test_programs_get_every_file_once(card: tuple[Path, Truth], capsys: pytest.CaptureFixture[str]) -> None:
    folder, truth = card
    found = told(capsys, folder, "--no-cache")
    assert [s["frames"] for s in found["stacks"]] == [[str(p) for p in s] for s in truth.stacks]
    assert all({"frames", "confidence", "state", "why"} <= set(s) for s in found["stacks"])
    everything = [p for s in found["stacks"] for p in s["frames"]] + [e["path"] for e in found["left_out"]]
    assert sorted(everything) == sorted(map(str, truth.kinds))


def test_people_get_a_listing(card: tuple[Path, Truth], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(card[0], "--no-cache") == 0
    text = capsys.readouterr().out
    assert text.startswith("2 stacks with 18 frames; 0 to be asked about.")
    assert "stack-001  10 frames, NF_0001.JPG to NF_0010.JPG, taken 2031-06-09 07:30" in text
    assert ".DS_Store, ._NF_0001.JPG: left behind by a system" in text


def test_decisions_are_applied_on_top(
    card: tuple[Path, Truth], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    decisions = tmp_path / "decisions.toml"
    decisions.write_text('[[decisions]]\ndo = "split"\nbefore = "NF_0006.JPG"\n')
    found = told(capsys, card[0], "--no-cache", "--decisions", decisions)
    assert [len(s["frames"]) for s in found["stacks"]] == [5, 5, 8]
    assert found["stacks"][0]["why"] == "decided by a person"


def test_what_was_read_is_remembered_in_the_folder_given(
    card: tuple[Path, Truth],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    first = told(capsys, card[0], "--cache", tmp_path / "cache")
    assert (tmp_path / "cache" / "cards.sqlite").stat().st_size > 0

    def nothing(*_: object) -> None:
        raise AssertionError("a picture was decoded again")

    monkeypatch.setattr("nearfar.intake.card.series.take_look", nothing)
    assert told(capsys, card[0], "--cache", tmp_path / "cache") == first


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="no such file or folder"):
        run(tmp_path / "nowhere", "--no-cache")


def test_a_folder_without_pictures_has_no_stacks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "notes.txt").write_text("none")
    assert run(tmp_path, "--no-cache") == 0
    text = capsys.readouterr().out
    assert text.splitlines()[0] == "0 stacks with 0 frames; 0 to be asked about."
    assert "notes.txt: not a picture by its ending (.txt)" in text
