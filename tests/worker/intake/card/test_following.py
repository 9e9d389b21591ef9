"""Cards in a watched folder, followed from their first file until all stacks are taken."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import Decided
from nearfar.intake.place import Watched
from tests.worker.intake.watched import PATIENCE, QUIET, Watching, ignored, lay_frames, names_of


def test_loose_frames_are_sorted_and_stay_the_stacks_that_they_became(watching: Watching) -> None:
    lay_frames(watching.root, "1.tif", "2.tif")
    assert {each.entry.state for each in watching.settle().values()} == {"settling"}
    first = watching.settle()["1.tif"]
    assert (names_of(first), first.entry.stack) == (["1.tif", "2.tif"], "1")
    watching.take(first, job=1)
    lay_frames(watching.root, "3.tif", "4.tif", first=5)
    watching.settle()
    second = watching.settle()["3.tif"]
    assert names_of(second) == ["3.tif", "4.tif"]
    watching.take(second, job=2)
    watching.restart()
    again = watching.settle()
    assert {path: each.known and each.known.job for path, each in again.items() if path != "."} == {
        "1.tif": 1,
        "3.tif": 2,
    }
    (watching.root / "1.tif").unlink()  # what is left of a stack makes no new one
    assert not any(each.arrival for each in watching.settle().values())


@pytest.mark.parametrize("where", [".", "moss"])
def test_who_waits_for_an_empty_file_is_told_which_and_until_when(
    watching: Watching, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One file whose copy was cut off holds a whole card for two minutes: whoever looks sees why, and for how long."""
    monkeypatch.setattr("nearfar.intake.following.time.time", lambda: 1e9)
    lay_frames(watching.root / where, "1.tif", "2.tif")
    (watching.root / where / "3.tif").touch()
    entry = watching.settle()[where].entry
    ends = time.strftime("%H:%M:%S", time.localtime(1e9 + PATIENCE - QUIET))
    assert (entry.state, entry.seconds) == ("arriving", PATIENCE - QUIET)
    assert "3.tif: found an empty file (0 bytes)" in entry.why
    assert f"; this file is waited for until {ends} by the server's clock" in entry.why
    assert ("then the card is sorted without it" in entry.why) == (where == ".")
    (watching.root / where / "4.tif").touch()
    later = watching.settle()[where].entry
    assert f"; these 2 files are waited for until {ends}" in later.why
    (watching.root / where / "4.tif").rename(watching.root / where / "5.tif.part")
    copied = watching.settle()[where].entry
    assert copied.seconds == PATIENCE - QUIET
    assert (
        f"5.tif.part is still being copied, by the name; this file is waited for until {ends}" in copied.why
    )


def test_a_stack_that_was_about_to_be_taken_when_the_watch_was_stopped_stays_that_stack(
    watching: Watching,
) -> None:
    lay_frames(watching.root, "1.tif", "2.tif")
    watching.settle()
    known = watching.take(watching.settle()["1.tif"])
    watching.memory.note(known, job=None)
    lay_frames(watching.root, "3.tif", first=5)
    watching.restart()
    watching.settle()
    found = watching.settle()
    assert [names_of(found["1.tif"]), names_of(found["3.tif"])] == [["1.tif", "2.tif"], ["3.tif"]]


@pytest.mark.parametrize("top", ["shoot", "."])
def test_a_folder_with_a_cameras_own_folders_is_a_card(watching: Watching, top: str) -> None:
    card = watching.root / top / "DCIM"
    lay_frames(card / "100NRFAR", "NF_9998.tif", "NF_9999.tif")
    lay_frames(card / "101NRFAR", "NF_0001.tif", first=5)
    (card / "101NRFAR" / "notes.txt").write_text("the long lens")
    lay_frames(watching.root / "moss", "1.tif", first=9)
    watching.settle()
    found = watching.settle()
    path = "DCIM" if top == "." else top
    assert found[path].entry.card is not None
    assert ("101NRFAR/notes.txt" in str(ignored(found[path].entry))) is True
    (stack,) = [each for place, each in found.items() if each.arrival and place != "moss"]
    assert names_of(stack) == ["NF_9998.tif", "NF_9999.tif", "NF_0001.tif"]
    assert stack.entry.card == found[path].entry.card
    assert names_of(found["moss"]) == ["1.tif"]


def test_a_cameras_folders_are_one_card_without_dcim_around_them(watching: Watching) -> None:
    """Their names: DCF 2.0 (JEITA CP-3461), 3.2, three digits and five capitals."""
    lay_frames(watching.root / "shoot" / "100NRFAR", "NF_9998.tif", "NF_9999.tif")
    lay_frames(watching.root / "shoot" / "101NRFAR", "NF_0001.tif", first=5)
    lay_frames(watching.root / "shoot" / "moss", "1.tif", first=9)
    lay_frames(watching.root / "shoot" / "120beans", "2.tif", first=13)
    watching.settle()
    found = watching.settle()
    assert {"shoot", "shoot/moss", "shoot/120beans"} < set(found)
    assert names_of(found["shoot/moss"]) == ["1.tif"]
    assert names_of(found["shoot/120beans"]) == ["2.tif"]
    (stack,) = [each for place, each in found.items() if each.arrival and "NRFAR" in place]
    assert names_of(stack) == ["NF_9998.tif", "NF_9999.tif", "NF_0001.tif"]
    assert stack.entry.card == found["shoot"].entry.card is not None


@pytest.mark.parametrize("beside", [False, True])
def test_one_folder_of_a_camera_is_a_card_by_itself(watching: Watching, beside: bool) -> None:
    place = watching.root / "shoot" if beside else watching.root
    lay_frames(place / "100NRFAR", "NF_0001.tif", "NF_0002.tif")
    if beside:
        lay_frames(place, "1.tif", first=5)
    watching.settle()
    found = watching.settle()
    path = "shoot/100NRFAR" if beside else "100NRFAR"
    assert found[path].entry.card is not None
    assert not beside or names_of(found["shoot"]) == ["1.tif"]


def test_a_folder_with_the_marker_is_a_card_with_all_below(watching: Watching) -> None:
    lay_frames(watching.root / "day" / "a", "1.tif")
    lay_frames(watching.root / "day" / "b", "2.tif", first=5)
    assert set(watching.settle()) == {"day/a", "day/b"}
    (watching.root / "day" / "nearfar.card").touch()
    watching.settle()
    found = watching.settle()
    assert set(found) == {"day", "day/a/1.tif"}
    assert found["day/a/1.tif"].entry.stack == "day-1"


def test_every_folder_is_a_card_where_the_settings_say_so(tmp_path: Path) -> None:
    """A day's frames, copied by a program that names folders by dates."""
    watching = Watching(tmp_path, watched=[Watched(path=str(tmp_path / "inbox"), of_cards=True)])
    lay_frames(watching.root / "2031" / "06-09", "1.tif", "2.tif")
    lay_frames(watching.root / "2031" / "06-09" / "late", "3.tif", first=5)
    lay_frames(watching.root / "2031" / "06-10", "4.tif", first=9)
    watching.settle()
    found = watching.settle()
    assert {path for path in found if found[path].arrival is None} == {"2031/06-09", "2031/06-10"}
    stacks = sorted(names_of(each) for each in found.values() if each.arrival)
    assert stacks == [["1.tif", "2.tif", "3.tif"], ["4.tif"]]


def test_what_a_person_decided_is_taken_when_that_person_says_go(watching: Watching) -> None:
    frames = lay_frames(watching.root, "1.tif", "2.tif", "3.tif")
    card = card_id(str(watching.root))
    watching.settle()
    watching.cards.decide(
        card, str(watching.root), Decided(decisions=({"do": "split", "before": str(frames[1])},))
    )
    waiting = watching.settle()
    assert "go" in waiting["2.tif"].entry.why
    assert not any(each.arrival for each in waiting.values() if each.entry.path == str(frames[1]))
    decided = watching.cards.decided(card)
    watching.cards.decide(card, str(watching.root), replace(decided, gone=1))
    assert names_of(watching.settle()["2.tif"]) == ["2.tif", "3.tif"]


def test_decisions_that_cannot_be_read_hold_the_card_and_lose_nothing(watching: Watching) -> None:
    lay_frames(watching.root, "1.tif", "2.tif")
    file = watching.cards.decisions_file(card_id(str(watching.root)))
    file.parent.mkdir()
    file.write_text("{")
    entry = watching.settle()["."].entry
    assert (entry.state, str(file) in entry.why) == ("waiting", True)
    assert file.read_text() == "{"
