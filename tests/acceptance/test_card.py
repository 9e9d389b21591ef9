"""A day's card from the command line: twelve stacks among all else that a day leaves, told apart or asked about rightly."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.acceptance.command import nearfar
from tests.scenes import card_events as events
from tests.scenes.card import Body, Truth, add_junk, write_events
from tests.scenes.card_events import Event
from tests.scenes.card_views import make_place

SIZE = (300, 200)
START = datetime(2031, 6, 9, 7, 30)
SIZES = {"NF_": (40, 9, 12, 7, 25, 8), "QX": (15, 5, 30, 6, 10, 18)}
"""Frames of the stacks of both bodies."""


@dataclass(frozen=True, kw_only=True)
class Day:
    """A card, what is true of it, and what was said about it."""

    folder: Path
    truth: Truth
    said: dict[str, Any]


def _first_body(random: np.random.Generator) -> list[Event]:
    """Handheld and on a rail; a divider twice; two stacks that follow each other without a pause."""
    places = [
        make_place(random, kind, SIZE) for kind in ("macro", "table", "macro", "table", "macro", "macro")
    ]
    paces = ("fast", "flash", "hand", "flash", "flash", "flash")
    stacks = [
        events.stack(random, place, pace, frames=count)
        for place, pace, count in zip(places, paces, SIZES["NF_"], strict=True)
    ]
    return [
        events.singles(random, SIZE, 2),
        stacks[0],
        events.divider(random, places[0], stacks[0].frames[-1], 3.0),
        stacks[1],
        events.panorama(random, SIZE),
        stacks[2],
        events.divider(random, places[2], stacks[2].frames[-1], 3.0),
        stacks[3],
        events.exposures(random, make_place(random, "view", SIZE)),
        stacks[4],
        _without_a_pause(stacks[5], stacks[4]),
        events.singles(random, SIZE, 2),
        events.burst(random, SIZE),
    ]


def _second_body(random: np.random.Generator) -> list[Event]:
    """A raw file with each JPEG; one place twice without a pause; a landscape in five."""
    kinds = ("macro", "view", "macro", "table", "table", "macro")
    paces = ("flash", "view", "flash", "flash", "flash", "hand")
    places = [make_place(random, kind, SIZE) for kind in kinds]
    stacks = [
        events.stack(random, place, pace, frames=count)
        for place, pace, count in zip(places, paces, SIZES["QX"], strict=True)
    ]
    return [
        stacks[0],
        events.singles(random, SIZE, 3),
        stacks[1],
        events.singles(random, SIZE, 1),
        stacks[2],
        events.divider(random, places[2], stacks[2].frames[-1], 2.0),
        stacks[3],
        _without_a_pause(stacks[4], stacks[3]),
        events.singles(random, SIZE, 1),
        stacks[5],
    ]


def _without_a_pause(event: Event, before: Event) -> Event:
    first = replace(event.frames[0], after=before.frames[1].after)
    return replace(event, frames=(first, *event.frames[1:]))


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    folder = tmp_path_factory.mktemp("day") / "card"
    random = np.random.default_rng(12)
    truth = Truth()
    write_events(folder, Body(size=SIZE, first=9970, thumbnail=True), _first_body(random), truth, start=START)
    second = Body(size=SIZE, prefix="QX", serial="NF-0002", first=37, subsec=False, raw=True)
    write_events(folder, second, _second_body(random), truth, start=START.replace(minute=31))
    add_junk(folder, truth)
    return Day(folder=folder, truth=truth, said=sort(folder))


def sort(folder: Path, *options: str | Path) -> dict[str, Any]:
    outcome = nearfar("sort", folder, "--json", "--cache", folder.parent / "cache", *options)
    assert outcome.code == 0, outcome.err
    found: dict[str, Any] = json.loads(outcome.out)
    return found


def found_stacks(said: dict[str, Any], truth: Truth) -> dict[tuple[Path, ...], str]:
    """Stacks by their frames; a frame that may be in or out counts as out."""
    stacks = {}
    for stack in said["stacks"]:
        frames = [Path(frame) for frame in stack["frames"]]
        stacks[tuple(f for f in frames if f not in truth.either)] = stack["state"]
    return stacks


def true_stacks(truth: Truth) -> set[tuple[Path, ...]]:
    return {tuple(stack) for stack in truth.stacks}


def test_the_card_is_the_one_that_was_asked_for(day: Day) -> None:
    assert sorted(map(len, day.truth.stacks)) == sorted(SIZES["NF_"] + SIZES["QX"])
    kinds = set(day.truth.kinds.values())
    assert kinds >= {"frame", "divider", "single", "panorama", "bracket", "burst", "twin", "junk"}
    assert {path.parent.name for path in day.truth.kinds if path.name.startswith("NF_")} >= {
        "100NRFAR",
        "101NRFAR",
    }


def test_every_file_is_in_one_place_and_none_left_over_without_a_reason(day: Day) -> None:
    inside = [Path(frame) for stack in day.said["stacks"] for frame in stack["frames"]]
    left = [Path(entry["path"]) for entry in day.said["left_out"]]
    assert len(inside) == len(set(inside))
    assert sorted([*inside, *left]) == sorted(day.truth.kinds)
    assert all(entry["why"] for entry in day.said["left_out"])


def test_every_stack_that_is_called_clear_is_exact(day: Day) -> None:
    clear = {frames for frames, state in found_stacks(day.said, day.truth).items() if state == "clear"}
    assert clear <= true_stacks(day.truth)
    assert len(clear) >= 9  # of twelve: who asks about everything has told nothing apart


def test_the_questions_answered_truly_leave_every_stack_exact(day: Day, tmp_path: Path) -> None:
    file = tmp_path / "decisions.json"
    file.write_text(json.dumps(list(answers(day.said, day.truth))), encoding="utf-8")
    after = sort(day.folder, "--decisions", file)
    assert set(found_stacks(after, day.truth)) == true_stacks(day.truth)


def answers(said: dict[str, Any], truth: Truth) -> Iterator[dict[str, Any]]:
    """What a person who was there decides: what a question suggests where the truth says no, else nothing."""
    home = {frame: k for k, stack in enumerate(truth.stacks) for frame in stack}
    for question in said["questions"]:
        suggests, frames = question["suggests"], [Path(frame) for frame in question["frames"]]
        homes = {home.get(frame) for frame in frames if frame not in truth.either}
        together = len(homes) == 1 and None not in homes
        if (suggests["do"] == "join") == together:
            yield suggests


def test_what_is_no_stack_is_left_out_for_what_it_is(day: Day) -> None:
    why = {Path(entry["path"]): entry["why"] for entry in day.said["left_out"]}
    words = {"panorama": "panorama", "bracket": "exposure bracket", "twin": "same exposure"}
    for path, kind in day.truth.kinds.items():
        if kind in words and path in why:
            assert words[kind] in why[path], path


def test_sorting_changes_nothing(day: Day) -> None:
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in day.truth.kinds}
    sort(day.folder)
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in before} == before
    assert sorted(path for path in day.folder.rglob("*") if path.is_file()) == sorted(before)
