"""A day's card is told apart: what belongs together, what does not, and what has to be asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from nearfar.intake.card.sorted_card import SortedCard, as_json
from nearfar.intake.card.sorting import NOT_ALL_RAW, sort_card
from tests.scenes import card_events as events
from tests.scenes.card import Body, Truth, add_junk, write_events
from tests.scenes.card_events import Event, Taken
from tests.scenes.card_views import Place, Shot, make_place

SIZE = (300, 200)
Make = Callable[..., tuple[SortedCard, Truth]]


@pytest.fixture
def sort(tmp_path: Path) -> Make:
    """Write a day, sort it."""

    def make(day: Sequence[Event], *, cache: bool = False, **body: object) -> tuple[SortedCard, Truth]:
        truth = Truth()
        write_events(tmp_path / "card", Body(size=SIZE, **body), list(day), truth)  # type: ignore[arg-type]
        return sort_card([tmp_path / "card"], cache=tmp_path / "cache" if cache else None), truth

    return make


@pytest.fixture
def random() -> np.random.Generator:
    return np.random.default_rng(7)


@pytest.fixture
def place(random: np.random.Generator) -> Place:
    return make_place(random, "macro", SIZE)


def groups(card: SortedCard) -> list[list[str]]:
    return [[p.name for p in s.frames] for s in card.stacks]


def names(truth: Truth) -> list[list[str]]:
    return [[p.name for p in s] for s in truth.stacks]


def states(card: SortedCard) -> list[str]:
    return [s.state for s in card.stacks]


def why(card: SortedCard, kind: str, truth: Truth) -> set[str]:
    return {e.why for e in card.left_out if truth.kinds[e.path] == kind}


def test_two_places_are_two_stacks(sort: Make, random: np.random.Generator, place: Place) -> None:
    day = [events.stack(random, place, "flash", frames=9)]
    day.append(events.stack(random, make_place(random, "table", SIZE), "hand", frames=7))
    card, truth = sort(day)
    assert groups(card) == names(truth)
    assert states(card) == ["clear", "clear"]


@pytest.mark.parametrize("cover", ["hand", "sharp hand", "cap", "sheet", "cloth"])
def test_a_divider_separates_two_stacks_of_one_place(
    sort: Make, random: np.random.Generator, place: Place, cover: str
) -> None:
    first = events.stack(random, place, "flash", frames=9)
    held = replace(first.frames[-1], shot=Shot(cover=cover, seed=3), after=3.0, kind="divider")
    again = Event(
        name="again",
        frames=tuple(replace(f, shot=replace(f.shot, seed=k)) for k, f in enumerate(first.frames)),
    )
    card, truth = sort([first, Event(name="divider", frames=(held,)), again])
    assert groups(card) == names(truth)
    assert states(card) == ["clear", "clear"]


@pytest.mark.parametrize("last", [True, False], ids=["last", "first"])
@pytest.mark.parametrize(
    ("cover", "seed", "kind", "told"),
    [
        ("hand", 4, "table", "hardly any detail: something before the lens"),
        ("sharp hand", 4, "table", "right beside a stack: a divider"),
        ("sharp hand", 7, "macro", "right beside a stack: a divider"),
        ("fingers", 12, "table", "right beside a stack: a divider"),
    ],
)
def test_a_hand_at_an_end_of_the_card_is_told_as_one(
    sort: Make, last: bool, cover: str, seed: int, kind: str, told: str
) -> None:
    random = np.random.default_rng(seed)
    stack = events.stack(random, make_place(random, kind, SIZE), "flash", frames=9)
    held = replace(stack.frames[-1], shot=Shot(cover=cover, seed=3), after=3.0, kind="divider")
    hand = Event(name="divider", frames=(held,))
    card, truth = sort([stack, hand] if last else [hand, stack])
    assert groups(card) == names(truth)
    assert [told in each for each in why(card, "divider", truth)] == [True]


def test_a_camera_that_looks_down_writes_any_orientation_and_its_stack_stays_one(
    sort: Make, random: np.random.Generator, place: Place
) -> None:
    stack = events.stack(random, place, "flash", frames=9)
    tags = (1, 6, 1, 8, 3, 6, 1, 1, 3)
    frames = tuple(replace(f, orientation=tag) for f, tag in zip(stack.frames, tags, strict=True))
    card, truth = sort([replace(stack, frames=frames)], thumbnail=True)
    assert groups(card) == names(truth)
    assert states(card) == ["clear"]


def test_a_camera_that_was_turned_upright_begins_another_stack(
    sort: Make, random: np.random.Generator
) -> None:
    """The same place again, a quarter round on the sensor, after no longer a pause than within the stacks."""
    place = make_place(random, "macro", (240, 240))
    first = events.stack(random, place, "hand", frames=7)
    upright = replace(place, colour=np.rot90(place.colour), depth=np.rot90(place.depth), bank=[])
    pause = first.frames[1].after
    frames = tuple(replace(f, place=upright, orientation=6, after=pause) for f in first.frames)
    card, truth = sort([first, Event(name="upright", frames=frames)])
    assert groups(card) == names(truth)
    assert states(card) == ["clear", "clear"]


def test_one_place_twice_in_a_row_is_told_by_the_focus(
    sort: Make, random: np.random.Generator, place: Place
) -> None:
    first = events.stack(random, place, "flash", frames=10)
    pause = first.frames[1].after
    again = [
        replace(f, shot=replace(f.shot, seed=k), after=pause if k == 0 else f.after)
        for k, f in enumerate(first.frames)
    ]
    card, truth = sort([first, Event(name="again", frames=tuple(again))])
    assert groups(card) == names(truth)
    assert any("focus" in b.why for b in card.boundaries)


def test_a_fast_bracket_without_fractions_of_seconds_is_one_stack(
    sort: Make, random: np.random.Generator, place: Place
) -> None:
    day = [events.stack(random, place, "fast", frames=25), events.singles(random, SIZE, 2)]
    card, truth = sort(day, subsec=False, serial=None, first=9985)
    assert groups(card) == names(truth)
    assert states(card) == ["clear"]


def test_a_landscape_in_five_with_pauses_is_one_stack(sort: Make, random: np.random.Generator) -> None:
    view = make_place(random, "view", SIZE)
    day = [
        events.singles(random, SIZE, 1),
        events.stack(random, view, "view", frames=5),
        events.singles(random, SIZE, 1),
    ]
    card, truth = sort(day, subsec=False)
    assert groups(card) == names(truth)


def test_without_any_camera_data_pictures_decide(
    sort: Make, random: np.random.Generator, place: Place
) -> None:
    day = [events.stack(random, place, "flash", frames=9), events.singles(random, SIZE, 2)]
    day.append(events.stack(random, make_place(random, "table", SIZE), "flash", frames=8))
    card, truth = sort(day, exif=False)
    assert groups(card) == names(truth)


@pytest.mark.parametrize("kind", ["bracket", "panorama", "burst", "repeat burst"])
def test_what_is_no_stack_is_left_out_with_the_reason(
    sort: Make, random: np.random.Generator, kind: str
) -> None:
    day = {
        "bracket": lambda: [events.exposures(random, make_place(random, "view", SIZE))],
        "panorama": lambda: [events.panorama(random, SIZE)],
        "burst": lambda: [events.burst(random, SIZE)],
        "repeat burst": lambda: [events.repeats(random, SIZE)],
    }[kind]()
    card, truth = sort(day)
    assert card.stacks == ()
    word = {
        "bracket": "exposure",
        "panorama": "side by side|moves",
        "burst": "moves",
        "repeat burst": "same focus",
    }
    assert all(any(w in reason for w in word[kind].split("|")) for reason in why(card, kind, truth))


def spoilt(first: Event, **change: object) -> Event:
    """A stack in which one more frame was taken in its rhythm, with something wrong."""
    at = len(first.frames) // 2
    shot = replace(first.frames[at].shot, seed=99, **change)  # type: ignore[arg-type]
    odd = replace(first.frames[at], shot=shot, kind="odd")
    return Event(name="spoilt", frames=(*first.frames[:at], odd, *first.frames[at:]))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"shake": 16.0}, "the camera was shaken"),
        ({"ev": -3.0}, "the flash or a lamp failed"),
        ({"cover": "passer-by"}, "something else|out of focus before the lens"),
    ],
)
def test_a_frame_that_went_wrong_is_left_out_of_its_stack(
    sort: Make, random: np.random.Generator, place: Place, change: dict[str, object], reason: str
) -> None:
    card, truth = sort([spoilt(events.stack(random, place, "flash", frames=12), **change)])
    assert groups(card) == names(truth)
    (left,) = card.left_out
    assert truth.kinds[left.path] == "odd"
    assert any(r in left.why for r in reason.split("|"))
    assert left.stack == card.stacks[0].name


def test_a_frame_taken_twice_may_stay(sort: Make, random: np.random.Generator, place: Place) -> None:
    card, _ = sort([spoilt(events.stack(random, place, "flash", frames=12))])
    assert [len(g) for g in groups(card)] == [13]


def test_what_is_not_clear_is_asked(sort: Make, random: np.random.Generator, place: Place) -> None:
    """Two frames of one place, focused differently, may be a stack or not."""
    pair = events.stack(random, place, "hand", frames=2)
    card, _ = sort([pair])
    assert card.stacks == () or (states(card) == ["ask"] and card.questions)


def test_every_stack_that_is_asked_about_has_a_question_that_is_asked_once(
    sort: Make, random: np.random.Generator, place: Place
) -> None:
    first = events.stack(random, place, "hand", frames=6)
    tries = events.tests(random, place, first.frames[0])
    same = tuple(replace(f, exposure=first.frames[0].exposure, after=7.0) for f in tries.frames)
    card, _ = sort([Event(name="tries", frames=same), first, events.stack(random, place, "hand", frames=3)])
    asked = [s for s in card.stacks if s.state == "ask"]
    assert all(any(q.text in s.why for q in card.questions) for s in asked)
    assert len({q.text for q in card.questions}) == len(card.questions) <= len(asked)


def test_two_bodies_do_not_disturb_each_other(
    tmp_path: Path, random: np.random.Generator, place: Place
) -> None:
    truth = Truth()
    for number, (prefix, view) in enumerate([("AA", place), ("BB", make_place(random, "table", SIZE))]):
        day = [events.stack(random, view, "flash", frames=8)]
        write_events(tmp_path, Body(prefix=prefix, serial=f"NF-{number}", size=SIZE), day, truth)
    add_junk(tmp_path, truth)
    card = sort_card([tmp_path])
    assert groups(card) == names(truth)
    everything = [p for s in card.stacks for p in s.frames] + [e.path for e in card.left_out]
    assert sorted(everything) == sorted(truth.kinds)


def test_a_second_look_comes_from_the_cache_and_says_the_same(
    sort: Make, tmp_path: Path, random: np.random.Generator, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    cold, _ = sort(
        [events.stack(random, place, "flash", frames=6), events.singles(random, SIZE, 2)], cache=True
    )

    def nothing(*_: object) -> None:
        raise AssertionError("a picture was decoded again")

    monkeypatch.setattr("nearfar.intake.card.series.take_look", nothing)
    assert sort_card([tmp_path / "card"], cache=tmp_path / "cache") == cold


def test_decisions_are_applied_on_top(
    sort: Make, tmp_path: Path, random: np.random.Generator, place: Place
) -> None:
    card, _ = sort([events.stack(random, place, "flash", frames=8)])
    middle = str(card.stacks[0].frames[4])
    parted = sort_card([tmp_path / "card"], decisions=[{"do": "split", "before": middle}])
    assert [len(g) for g in groups(parted)] == [4, 4]


def test_nothing_on_the_card_changes(
    sort: Make, tmp_path: Path, random: np.random.Generator, place: Place
) -> None:
    sort([events.stack(random, place, "flash", frames=4)])
    before = {
        p: (p.stat().st_mtime_ns, p.read_bytes()) for p in (tmp_path / "card").rglob("*") if p.is_file()
    }
    sort_card([tmp_path / "card"])
    assert {
        p: (p.stat().st_mtime_ns, p.read_bytes()) for p in (tmp_path / "card").rglob("*") if p.is_file()
    } == before


@pytest.mark.parametrize(("thumbnail", "kept"), [(False, 0.02), (False, 0.5), (True, 0.5)])
def test_a_frame_cut_short_is_left_out_and_named(
    sort: Make, tmp_path: Path, random: np.random.Generator, place: Place, thumbnail: bool, kept: float
) -> None:
    """Also one with a whole small picture inside, or half of the pixels: a decoder fills the rest with grey."""
    card, truth = sort([events.stack(random, place, "flash", frames=8)], thumbnail=thumbnail)
    path = truth.stacks[0][3]
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * kept)])
    again = sort_card([tmp_path / "card"])
    assert [e.path for e in again.left_out] == [path]
    assert "ends early" in again.left_out[0].why
    assert again.left_out[0].stack == again.stacks[0].name, "whoever looks at the stack is told"
    assert again.stacks[0].frames == tuple(p for p in card.stacks[0].frames if p != path)


def test_developed_pictures_are_taken_where_only_some_frames_have_a_raw_file(
    sort: Make, tmp_path: Path, random: np.random.Generator, place: Place
) -> None:
    """The others' raw files were not copied, say: the stack was cut to pieces where raw and developed frames met."""
    _, truth = sort([events.stack(random, place, "flash", frames=8)], raw=True)
    for at in (2, 5):
        truth.stacks[0][at].unlink()
    card = sort_card([tmp_path / "card"])
    wanted = tuple(path.with_suffix(".JPG") for path in truth.stacks[0])
    assert [(s.frames, s.state) for s in card.stacks] == [(wanted, "clear")]
    assert card.order == wanted
    masters = [path for path in truth.stacks[0] if path.exists()]
    assert {e.path: e.why for e in card.left_out} == dict.fromkeys(masters, NOT_ALL_RAW)


def test_a_raw_file_that_is_damaged_counts_as_missing(
    sort: Make, tmp_path: Path, random: np.random.Generator, place: Place
) -> None:
    _, truth = sort([events.stack(random, place, "flash", frames=8)], raw=True)
    broken = truth.stacks[0][3]
    broken.write_bytes(b"")
    card = sort_card([tmp_path / "card"])
    assert [s.frames for s in card.stacks] == [tuple(path.with_suffix(".JPG") for path in truth.stacks[0])]
    assert [e.why for e in card.left_out if e.path == broken] == [
        "cannot be used: found an empty file (0 bytes)"
    ]


def test_the_form_for_programs(sort: Make, random: np.random.Generator, place: Place) -> None:
    card, truth = sort([events.stack(random, place, "flash", frames=9), events.singles(random, SIZE, 1)])
    told = as_json(card)
    (stack,) = told["stacks"]
    assert stack["frames"] == [str(p) for p in truth.stacks[0]]
    assert stack["state"] in ("clear", "ask")
    assert 0 <= stack["confidence"] <= 1
    assert isinstance(stack["why"], str)
    assert [set(e) for e in told["left_out"]] == [{"path", "why"}]


def test_an_exposure_bracket_beside_a_stack_of_the_same_place_is_no_part_of_it(
    sort: Make, random: np.random.Generator
) -> None:
    view = make_place(random, "view", SIZE)
    stack = events.stack(random, view, "view", frames=5)
    levels = [(0.0, Fraction(1, 125)), (-2.0, Fraction(1, 500)), (2.0, Fraction(4, 125))]
    frames = [
        Taken(
            place=view,
            shot=Shot(focus=0.5, ev=ev, seed=k),
            after=20.0 if k == 0 else 0.4,
            kind="bracket",
            exposure=t,
        )
        for k, (ev, t) in enumerate(levels)
    ]
    stack = replace(stack, frames=tuple(replace(f, exposure=Fraction(1, 125)) for f in stack.frames))
    card, truth = sort([stack, Event(name="exposures", frames=tuple(frames))])
    assert groups(card) == names(truth)
    assert why(card, "bracket", truth) == {"one of an exposure bracket of 3, not a stack"}


@pytest.mark.parametrize("kind", ["macro", "table"])
def test_frames_of_a_faint_stack_in_which_all_is_blurred_are_no_dividers(
    sort: Make, random: np.random.Generator, kind: str
) -> None:
    place = make_place(random, kind, SIZE)
    mean = place.colour.mean(axis=(0, 1))
    faint = (mean + 0.1 * (place.colour - mean)).astype(np.float32)
    place = replace(place, colour=faint, bank=[], reach=2 * place.reach)
    stack = events.stack(random, place, "flash", frames=14)
    card, truth = sort([events.singles(random, SIZE, 1), stack])
    assert not any("before the lens" in reason for reason in why(card, "frame", truth))
    assert groups(card) == names(truth)
