"""Cards over HTTP: what was found, what a person decides, and taking it back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import card_files
from nearfar.intake.state import Entry, InboxState, StateWriter
from nearfar.places import Places
from tests.api.conftest import Client, frames_in
from tests.api.making import keep_card

NAMES = ("1.tif", "2.tif", "3.tif", "4.tif")


@pytest.fixture
def folder(places: Places) -> Path:
    return frames_in(places.inbox / "ridge", NAMES)


@pytest.fixture
def card(folder: Path, places: Places) -> str:
    found = card_id(str(folder))
    keep_card(places, found, folder)
    return found


def tell(places: Places, folder: Path, card: str, *stacks: Entry) -> None:
    """Write what a watch would."""
    head = Entry(path=str(folder), stack="ridge", state="waiting", why="sorted", frames=4, card=card)
    StateWriter(places).write(InboxState(entries=[head, *stacks]), now=0.0, wall=1e9)


def test_a_sorted_card_says_why_frames_that_came_later_are_not_in_it_yet(
    client: Client, places: Places, folder: Path, card: str
) -> None:
    why = "not readable yet: 5.tif: found an empty file; this file is waited for until 14:32:05"
    head = Entry(path=str(folder), stack="ridge", state="arriving", why=why, seconds=90, frames=5, card=card)
    StateWriter(places).write(InboxState(entries=[head]), now=0.0, wall=1e9)
    page = client.get(f"/cards/{card}").text
    assert "2 stacks" in page
    assert why in page
    tell(places, folder, card)
    assert "on its way" not in client.get(f"/cards/{card}").text


def stacks_of(answer: dict[str, Any]) -> list[tuple[str, list[str]]]:
    return [(stack["state"], [frame["name"] for frame in stack["frames"]]) for stack in answer["content"]]


def decide(client: Client, card: str, **decision: object) -> dict[str, Any]:
    answer = client.post(f"/api/v1/cards/{card}/decisions", json=decision)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_cards_are_listed_with_how_they_stand(
    client: Client, places: Places, folder: Path, card: str
) -> None:
    taken = Entry(path=str(folder / "1.tif"), stack="x", state="queued", why="job 7", job=7, card=card)
    asked = Entry(path=str(folder / "3.tif"), stack="y", state="waiting", why="One stack?", card=card)
    tell(places, folder, card, taken, asked)
    (told,) = client.get("/api/v1/cards").json()["cards"]
    assert (told["id"], told["name"], told["state"], told["sorted"]) == (card, "ridge", "waiting", True)
    assert told["stacks"] == {"clear": 0, "ask": 1, "decided": 0, "taken": 1}
    found = client.get(told["links"]["self"]).json()
    assert [(s["state"], s["job"], s["why"]) for s in found["content"]] == [
        ("taken", 7, "job 7"),
        ("ask", None, "One stack?"),
    ]
    assert found["questions"][0]["suggests"]["do"] == "split"


def test_a_card_that_is_still_arriving_is_listed_too(client: Client, places: Places, folder: Path) -> None:
    tell(places, folder, card_id(str(folder)))
    (told,) = client.get("/api/v1/cards").json()["cards"]
    assert (told["sorted"], told["stacks"]["clear"]) == (False, 0)
    answer = client.post(f"/api/v1/cards/{told['id']}/go")
    assert answer.status_code == 404
    assert "not sorted yet" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("decision", "stacks"),
    [
        ({"do": "split", "before": "4.tif"}, [["1.tif", "2.tif"], ["3.tif"], ["4.tif"]]),
        ({"do": "join", "frames": ["1.tif", "3.tif"]}, [["1.tif", "2.tif", "3.tif", "4.tif"]]),
        ({"do": "leave-out", "frames": ["4.tif"]}, [["1.tif", "2.tif"], ["3.tif"]]),
        ({"do": "take", "frames": ["3.tif"], "with": "1.tif"}, [["1.tif", "2.tif", "3.tif"], ["4.tif"]]),
        ({"do": "confirm", "frames": ["3.tif"]}, [["1.tif", "2.tif"], ["3.tif", "4.tif"]]),
    ],
)
def test_what_is_decided_holds_until_it_is_undone(
    client: Client, places: Places, card: str, decision: dict[str, object], stacks: Sequence[list[str]]
) -> None:
    before = client.get(f"/api/v1/cards/{card}").json()
    after = decide(client, card, **decision)
    assert [frames for _, frames in stacks_of(after)] == stacks
    assert after["decisions"] == [decision]
    assert after["go"] is False
    assert "decided" in {state for state, _ in stacks_of(after)}
    assert list(card_files(places).decided(card).decisions) == [decision]
    undone = client.ask("DELETE", f"/api/v1/cards/{card}/decisions")
    assert undone.json() == before
    assert client.ask("DELETE", f"/api/v1/cards/{card}/decisions").status_code == 404


def test_only_go_lets_what_was_decided_be_acted_on(client: Client, places: Places, card: str) -> None:
    decide(client, card, do="confirm", frames=["3.tif"])
    assert not card_files(places).decided(card).go
    gone = client.post(f"/api/v1/cards/{card}/go").json()
    assert gone["go"] is True
    assert [state for state, _ in stacks_of(gone)] == ["clear", "clear"]
    assert decide(client, card, do="split", before="2.tif")["go"] is False


@pytest.mark.parametrize(
    ("decision", "named"),
    [
        ({"do": "split", "before": "9.tif"}, "no file 9.tif"),
        ({"do": "split", "before": "1.tif"}, "the first of its stack"),
        ({"do": "join", "frames": ["1.tif"]}, "one stack only"),
        ({"do": "split"}, "before"),
        ({"do": "mend", "frames": ["1.tif"]}, "/do"),
    ],
)
def test_what_makes_no_sense_is_refused_and_not_kept(
    client: Client, places: Places, card: str, decision: dict[str, object], named: str
) -> None:
    answer = client.post(f"/api/v1/cards/{card}/decisions", json=decision)
    assert answer.status_code == 422
    assert named in answer.json()["detail"]
    assert not card_files(places).decisions_file(card).exists()


def test_decisions_that_cannot_be_read_are_not_written_over(
    client: Client, places: Places, card: str
) -> None:
    file = card_files(places).decisions_file(card)
    file.write_text("{")
    assert str(file) in client.get(f"/api/v1/cards/{card}").json()["troubles"][0]
    for answer in (
        client.post(f"/api/v1/cards/{card}/decisions", json={"do": "split", "before": "4.tif"}),
        client.post(f"/api/v1/cards/{card}/go"),
        client.ask("DELETE", f"/api/v1/cards/{card}/decisions"),
    ):
        assert answer.status_code == 422
    assert file.read_text() == "{"


def test_small_pictures_come_from_where_sorting_put_them(client: Client, places: Places, card: str) -> None:
    (stack, *_) = client.get(f"/api/v1/cards/{card}").json()["content"]
    answer = client.get(stack["frames"][0]["small"])
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
    assert answer.content.startswith(b"\xff\xd8")
    assert stack["frames"][1]["small"] is None
    for name in ("1" * 24, "..%2F..%2F" + "1" * 14, "x"):
        assert client.get(f"/api/v1/cards/{card}/small/{name}").status_code in (404, 422)


def test_no_frame_is_changed_by_any_of_this(client: Client, folder: Path, card: str) -> None:
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}
    decide(client, card, do="leave-out", frames=["1.tif"])
    client.post(f"/api/v1/cards/{card}/go")
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()} == before
