"""Which stacks of a sorted card are offered, and what the others wait for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from nearfar.intake.card.decisions import BY_HAND, apply
from nearfar.intake.card.kept_card import decide_all
from nearfar.intake.card.sorted_card import LeftOut, Question, SortedCard, SortedStack, as_json, from_json
from nearfar.intake.card.stacks import Offer, named, offers
from nearfar.intake.memory import Known, trace
from nearfar.intake.scanning import Folder
from nearfar.intake.settling import Mark

ROOT = "/inbox/ridge"


def mark(number: int) -> Mark:
    return Mark(1, number, 10, 5, 5, 8, 0)


def lying(*numbers: int, ending: str = "JPG") -> Folder:
    names = {f"DCIM/100NRFAR/NF_{n:04d}.{ending}": mark(n) for n in numbers}
    return Folder(path=ROOT, parts=("ridge",), frames=names)


def stack(name: str, numbers: Sequence[int], state: str = "clear", **more: object) -> SortedStack:
    frames = tuple(Path(ROOT, f"DCIM/100NRFAR/NF_{n:04d}.JPG") for n in numbers)
    return SortedStack(
        name=name,
        frames=frames,
        confidence=0.5,
        state=state,
        **{"why": "one view", **more},  # type: ignore[arg-type]
    )


def taken(folder: Folder, numbers: Sequence[int], job: int | None = 4) -> Known:
    names = [f"DCIM/100NRFAR/NF_{n:04d}.JPG" for n in numbers]
    files = {name: trace(folder.frames[name]) for name in names}
    return Known(
        path=f"{ROOT}/{names[0]}",
        source=ROOT,
        stack="x",
        files=files,
        digest="d",
        digests=dict.fromkeys(names, "d"),
        loose=True,
        job=job,
    )


def offered(
    card: SortedCard, folder: Folder, known: Sequence[Known] = (), *, go: bool = False
) -> dict[int, Offer]:
    found = offers(card, folder, known, name="ridge", go=go)
    return {int(offer.frames[0][-8:-4]): offer for offer in found}


def card_of(*stacks: SortedStack, questions: Sequence[Question] = ()) -> SortedCard:
    order = tuple(frame for each in stacks for frame in each.frames)
    return SortedCard(stacks=stacks, left_out=(), order=order, questions=tuple(questions))


def test_a_clear_stack_is_offered_and_an_unclear_one_waits_with_its_question() -> None:
    unclear = stack("b", [4, 5], "ask")
    question = Question(
        text="Do NF_0004.JPG and NF_0005.JPG belong to one stack?", frames=unclear.frames, suggests={}
    )
    card = card_of(stack("a", [1, 2, 3]), unclear, questions=[question])
    found = offered(card, lying(1, 2, 3, 4, 5))
    assert found[1].why is None
    assert found[1].frames[0] == "DCIM/100NRFAR/NF_0001.JPG"
    assert found[4].why == question.text
    confirmed = apply(card, [{"do": "confirm", "frames": ["NF_0004.JPG"]}])
    assert "go" in str(offered(confirmed, lying(1, 2, 3, 4, 5))[4].why)
    assert offered(confirmed, lying(1, 2, 3, 4, 5), go=True)[4].why is None


def test_a_stack_that_was_taken_stays_taken_and_a_frame_more_is_asked_about() -> None:
    folder = lying(1, 2, 3)
    known = [taken(folder, [1, 2])]
    assert offered(card_of(stack("a", [1, 2])), folder, known) == {}
    assert offered(card_of(stack("a", [1]), stack("b", [2])), folder, known) == {}
    grown = offered(card_of(stack("a", [1, 2, 3])), folder, known)[1]
    assert grown.why == "1 frame more came after job 4 was made of 2; shall all 3 be merged as one stack?"
    assert offered(card_of(stack("a", [1, 2, 3], why=BY_HAND)), folder, known, go=True)[1].why is None


def test_halves_of_a_taken_stack_are_offered_where_a_person_split_it() -> None:
    folder = lying(1, 2, 3, 4)
    card = apply(card_of(stack("a", [1, 2, 3, 4])), [{"do": "split", "before": "NF_0003.JPG"}])
    found = offered(card, folder, [taken(folder, [1, 2, 3, 4])], go=True)
    assert {first: len(offer.frames) for first, offer in found.items()} == {1: 2, 3: 2}


def test_a_stack_that_was_about_to_be_taken_is_offered_as_it_was() -> None:
    folder = lying(1, 2, 3)
    found = offered(card_of(stack("a", [1, 2, 3])), folder, [taken(folder, [1, 2], job=None)])
    assert {first: offer.frames[-1][-8:-4] for first, offer in found.items()} == {1: "0002"}


def test_frames_that_went_away_are_asked_about() -> None:
    assert "1 of its 3 frames" in str(offered(card_of(stack("a", [1, 2, 3])), lying(1, 2))[1].why)
    assert offered(card_of(stack("a", [1, 2, 3])), lying()) == {}


def test_developed_twins_go_where_their_raw_frames_go() -> None:
    folder = lying(1, 2, ending="DNG")
    folder.frames |= lying(1, 2).frames
    frames = tuple(Path(ROOT, name) for name in folder.frames if name.endswith("DNG"))
    card = card_of(SortedStack(name="a", frames=frames, confidence=1, state="clear", why="one view"))
    assert set(offered(card, folder)[1].companions) == set(lying(1, 2).frames)


def test_stacks_are_called_after_their_card_and_time_and_never_alike() -> None:
    card = card_of(stack("a", [1], first_taken=60.0), stack("b", [2], first_taken=60.0), stack("c", [3]))
    assert named(card, prefix="ridge") == {
        "a": "ridge-2000-01-01-000100-NF_0001",
        "b": "ridge-2000-01-01-000100-NF_0002",
        "c": "ridge-NF_0003",
    }


def test_decisions_that_no_longer_make_sense_are_told_and_the_others_hold() -> None:
    card = card_of(stack("a", [1, 2, 3]))
    decisions = [{"do": "split", "before": "NF_0009.JPG"}, {"do": "split", "before": "NF_0002.JPG"}]
    found, troubles = decide_all(card, decisions)
    assert len(found.stacks) == 2
    assert len(troubles) == 1
    assert "decision 1" in troubles[0]


def test_a_card_comes_back_from_json_as_it_was() -> None:
    one = stack("a", [1, 2], first_taken=60.0, last_taken=65.0)
    card = card_of(one, questions=[Question(text="?", frames=one.frames, suggests={"do": "leave-out"})])
    told = {**as_json(card), "order": [str(path) for path in card.order]}
    assert from_json(told) == card


def test_what_was_set_aside_within_a_stack_comes_with_it_and_what_lies_beside_it_does_not() -> None:
    folder = lying(1, 2, 3, 4, 5, 6)
    card = card_of(stack("a", [1, 3, 5]))
    aside = [(2, "a"), (4, "a"), (6, "a"), (9, "a")]
    left = tuple(
        LeftOut(path=Path(ROOT, f"DCIM/100NRFAR/NF_{n:04d}.JPG"), why=f"odd {n}", stack=home)
        for n, home in aside
    )
    numbers = (1, 2, 3, 5, 6, 7, 8)  # of the fourth nothing could be read, not even when it was taken
    order = tuple(Path(ROOT, f"DCIM/100NRFAR/NF_{n:04d}.JPG") for n in numbers)
    card = replace(card, left_out=left, order=order)
    assert {name[-8:-4]: why for name, why in offered(card, folder)[1].aside.items()} == {
        "0002": "odd 2",
        "0004": "odd 4",
    }
    by_hand = apply(card, [{"do": "leave-out", "frames": ["NF_0003.JPG"]}])
    assert [name[-8:-4] for name in offered(by_hand, folder, go=True)[1].aside] == ["0002", "0004"]
    begun = offered(card, folder, [taken(folder, [1, 3, 5], job=None)])[1]
    assert [name[-8:-4] for name in begun.aside] == ["0002", "0004"], "also after the watch was stopped"
