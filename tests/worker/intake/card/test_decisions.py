"""Decisions of a person: small data, applied on top, taken back by removing them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import InputRefused, UsageError
from nearfar.intake.card.decisions import apply, read_decisions
from nearfar.intake.card.sorted_card import Boundary, LeftOut, Question, SortedCard, SortedStack

NAMES = [Path(f"card/F{k}.jpg") for k in range(1, 10)]
CARD = SortedCard(
    stacks=(
        SortedStack(name="stack-001", frames=tuple(NAMES[:4]), confidence=0.99, state="clear", why="x"),
        SortedStack(name="stack-002", frames=tuple(NAMES[5:8]), confidence=0.6, state="ask", why="y"),
    ),
    left_out=(LeftOut(path=NAMES[4], why="a divider"), LeftOut(path=NAMES[8], why="a single frame")),
    boundaries=(Boundary(before=NAMES[3], after=NAMES[5], confidence=0.7, why="z"),),
    questions=(Question(text="?", frames=(NAMES[5],), suggests={"do": "leave-out", "frames": ["F6.jpg"]}),),
    order=tuple(NAMES),
)


def numbers(card: SortedCard) -> list[list[int]]:
    return [[NAMES.index(p) + 1 for p in s.frames] for s in card.stacks]


@pytest.mark.parametrize(
    ("decision", "stacks"),
    [
        ({"do": "join", "frames": ["F2.jpg", "F7.jpg"]}, [[1, 2, 3, 4, 6, 7, 8]]),
        ({"do": "join", "frames": ["F4.jpg", "F5.jpg"]}, [[1, 2, 3, 4, 5], [6, 7, 8]]),
        ({"do": "split", "before": "F3.jpg"}, [[1, 2], [3, 4], [6, 7, 8]]),
        ({"do": "leave-out", "frames": ["F1.jpg", "F7.jpg"]}, [[2, 3, 4], [6, 8]]),
        ({"do": "leave-out", "frames": ["F6.jpg", "F7.jpg", "F8.jpg"]}, [[1, 2, 3, 4]]),
        ({"do": "take", "frames": ["F9.jpg"], "with": "F6.jpg"}, [[1, 2, 3, 4], [6, 7, 8, 9]]),
        ({"do": "take", "frames": ["F4.jpg"], "with": "F6.jpg"}, [[1, 2, 3], [4, 6, 7, 8]]),
        ({"do": "take", "frames": ["F9.jpg", "F5.jpg"]}, [[1, 2, 3, 4], [5, 9], [6, 7, 8]]),
        ({"do": "confirm", "frames": ["F6.jpg"]}, [[1, 2, 3, 4], [6, 7, 8]]),
    ],
)
def test_a_decision_does_what_it_says(decision: dict[str, Any], stacks: list[list[int]]) -> None:
    found = apply(CARD, [decision])
    assert numbers(found) == stacks
    everything = [p for s in found.stacks for p in s.frames] + [e.path for e in found.left_out]
    assert sorted(everything) == NAMES


def test_what_a_person_touched_is_clear() -> None:
    (_, second) = apply(CARD, [{"do": "confirm", "frames": ["F6.jpg"]}]).stacks
    assert (second.state, second.confidence, second.why) == ("clear", 1.0, "decided by a person")
    assert apply(CARD, [{"do": "confirm", "frames": ["F6.jpg"]}]).questions == ()


def test_taking_the_last_decision_back_is_leaving_it_away() -> None:
    decisions: list[dict[str, Any]] = [
        {"do": "split", "before": "F3.jpg"},
        {"do": "join", "frames": ["F1.jpg", "F6.jpg"]},
    ]
    assert apply(CARD, decisions[:1]) == apply(CARD, decisions[:-1])
    assert apply(CARD, []) == CARD


def test_a_frame_that_was_left_out_can_be_put_back() -> None:
    decisions = [
        {"do": "leave-out", "frames": ["F2.jpg"]},
        {"do": "take", "frames": ["F2.jpg"], "with": "F1.jpg"},
    ]
    assert numbers(apply(CARD, decisions)) == numbers(CARD)


@pytest.mark.parametrize(
    ("decision", "message"),
    [
        ("join", "expected a table"),
        ({"do": "merge"}, "expected one of join, split"),
        ({"do": "join"}, "no 'frames'"),
        ({"do": "join", "frames": []}, "expected a list of paths"),
        ({"do": "join", "frames": ["F1.jpg"], "into": 3}, "'into', which is not known"),
        ({"do": "join", "frames": ["F1.jpg", "F2.jpg"]}, "frames of one stack only"),
        ({"do": "join", "frames": ["F1.jpg", "F77.jpg"]}, "no file F77.jpg"),
        ({"do": "split", "before": "F1.jpg"}, "the first of its stack"),
        ({"do": "split", "before": "F9.jpg"}, "in no stack"),
        ({"do": "split", "before": 3}, "expected a path"),
        ({"do": "take", "frames": ["F1.jpg"], "with": "F9.jpg"}, "in no stack"),
        ({"do": "confirm", "frames": ["F9.jpg"]}, "of no stack"),
    ],
)
def test_a_decision_that_makes_no_sense_is_refused(decision: Any, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        apply(CARD, [decision])


def test_a_name_that_two_files_share_is_refused() -> None:
    twin = SortedStack(name="stack-003", frames=(Path("other/F1.jpg"),), confidence=1, state="clear", why="")
    card = SortedCard(stacks=(*CARD.stacks, twin), left_out=CARD.left_out)
    with pytest.raises(UsageError, match="2 files called F1.jpg"):
        apply(card, [{"do": "leave-out", "frames": ["F1.jpg"]}])
    assert numbers(apply(card, [{"do": "leave-out", "frames": ["card/F1.jpg", "other/F1.jpg"]}])) == [
        [2, 3, 4],
        [6, 7, 8],
    ]


def test_decisions_are_read_from_toml_and_json(tmp_path: Path) -> None:
    decisions = [{"do": "split", "before": "F3.jpg"}, {"do": "leave-out", "frames": ["F1.jpg"]}]
    (tmp_path / "a.json").write_text(json.dumps(decisions))
    (tmp_path / "b.json").write_text(json.dumps({"decisions": decisions}))
    (tmp_path / "c.toml").write_text(
        '[[decisions]]\ndo = "split"\nbefore = "F3.jpg"\n[[decisions]]\ndo = "leave-out"\nframes = ["F1.jpg"]\n'
    )
    assert [read_decisions(tmp_path / n) for n in ("a.json", "b.json", "c.toml")] == [decisions] * 3


@pytest.mark.parametrize("text", ["{", '{"decisions": 3}', '[{"do": "dance"}]', "[" * 100_000])
def test_a_file_of_something_else_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "a.json").write_text(text)
    with pytest.raises(InputRefused, match=r"a\.json: "):
        read_decisions(tmp_path / "a.json")
    with pytest.raises(InputRefused, match=r"b\.json: the decisions cannot be read"):
        read_decisions(tmp_path / "b.json")


def test_a_stack_made_by_hand_keeps_its_camera_and_of_its_times_only_those_that_still_hold() -> None:
    taken = replace(CARD.stacks[0], camera="B-7", first_taken=60.0, last_taken=69.0)
    card = replace(CARD, stacks=(taken, CARD.stacks[1]))
    first, second, _ = apply(card, [{"do": "split", "before": "F3.jpg"}]).stacks
    assert (first.camera, first.first_taken, first.last_taken) == ("B-7", 60.0, None)
    assert (second.camera, second.first_taken, second.last_taken) == ("B-7", None, None)
    (same, _) = apply(card, [{"do": "confirm", "frames": ["F1.jpg"]}]).stacks
    assert (same.first_taken, same.last_taken) == (60.0, 69.0)
