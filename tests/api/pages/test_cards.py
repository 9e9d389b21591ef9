"""The page of a card without a browser: two thousand frames in parts, every stack and file to be found, decided by forms."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest

from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import Kept, card_files
from nearfar.intake.card.sorted_card import Boundary, LeftOut, SortedCard, SortedStack
from nearfar.places import Places
from nearfar_api.pages.card_rows import FRAMES, STACKS, told
from tests.api.conftest import Client
from tests.api.making import keep_card

FOLDER = Path("/cards/fen")
EACH, COUNT = 20, 100


def large() -> SortedCard:
    """A hundred stacks of nineteen frames, a divider after each, and a file that is no frame."""
    order = [FOLDER / f"NF_{k:04d}.JPG" for k in range(1, EACH * COUNT + 1)]
    runs = [order[k : k + EACH] for k in range(0, len(order), EACH)]
    return SortedCard(
        stacks=tuple(
            SortedStack(name=f"stack-{k:03d}", frames=tuple(run[:-1]), confidence=1, state="clear", why="w")
            for k, run in enumerate(runs, 1)
        ),
        left_out=(
            *(LeftOut(path=run[-1], why="a hand before the lens") for run in runs),
            LeftOut(path=FOLDER / "notes.txt", why="no picture"),
        ),
        boundaries=tuple(
            Boundary(before=one[-2], after=other[0], confidence=0.97, why=f"a pause of {k} s")
            for k, (one, other) in enumerate(pairwise(runs))
        ),
        order=tuple(order),
    )


@pytest.fixture
def large_card(places: Places) -> str:
    found = card_id(str(FOLDER))
    card = large()
    kept = Kept(path=str(FOLDER), files={}, card=card, small={str(p): "0" * 24 for p in card.order})
    card_files(places).write(found, kept)
    return found


def test_a_card_of_two_thousand_frames_comes_in_parts_that_lose_nothing(
    client: Client, large_card: str
) -> None:
    address, frames, stacks, reasons = f"/cards/{large_card}", [], [], ""
    for _ in range(COUNT):
        page = client.get(address).text
        assert len(page) < 400_000
        here = re.findall(r'name="frame" value="[^"]*/(NF_\d+).JPG"', page)
        assert page.count('loading="lazy"') == len(here) <= FRAMES
        assert page.count("<h2>Stack") <= STACKS
        frames += here
        stacks += re.findall(r"<h2>Stack (\d+)", page)
        reasons += page
        following = re.search(r'rel="next" href="([^"]*)"', page)
        if following is None:
            break
        address = following[1].replace("&amp;", "&")
    assert frames == [f"NF_{k:04d}" for k in range(1, EACH * COUNT + 1)]
    assert stacks == [str(k) for k in range(1, COUNT + 1)]
    assert all(f"A pause of {k} s (97 % sure)" in reasons for k in range(COUNT - 1))
    assert "notes.txt" in reasons


def test_a_decision_far_down_a_large_card_leads_back_to_its_place(client: Client, large_card: str) -> None:
    form = {"do": "split", "stack": f"{FOLDER}/NF_1601.JPG", "frame": f"{FOLDER}/NF_1610.JPG"}
    answer = client.post(f"/cards/{large_card}/do", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/cards/{large_card}?at=82#s82")
    page = client.get(answer.headers["location"]).text
    assert 'id="s82"' in page
    assert "a new stack begins with NF_1610.JPG" in page
    assert "Between 81 and 82" in page


def test_divided_stacks_are_joined_and_their_divider_taken_in(client: Client, large_card: str) -> None:
    place = f"/cards/{large_card}/do"
    first = {"stack": f"{FOLDER}/NF_0001.JPG"}
    assert client.post(place, data={**first, "do": "join"}).status_code == 303
    assert (
        client.post(place, data={**first, "do": "take-in", "frame": f"{FOLDER}/NF_0020.JPG"}).status_code
        == 303
    )
    stacks = client.get(f"/api/v1/cards/{large_card}").json()["content"]
    assert [frame["name"] for frame in stacks[0]["frames"]] == [f"NF_{k:04d}.JPG" for k in range(1, 40)]


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"do": "spin"}, "is not a decision"),
        ({"do": "leave-out", "stack": "{first}"}, "tick the frames first"),
        ({"do": "up-to-here", "stack": "{first}", "frame": "{first}"}, "no stack of the same camera on that"),
        ({"do": "confirm", "stack": "/elsewhere.JPG"}, "no longer there"),
        ({"decision": "{}", "stack": "{first}"}, "load the page again"),
        ({"decision": '{"do": "split", "before": "none.JPG"}', "stack": "{first}"}, "no file none.JPG"),
    ],
)
def test_what_cannot_be_decided_is_said_on_the_card(
    client: Client, large_card: str, form: dict[str, str], said: str
) -> None:
    asked = {k: v.replace("{first}", f"{FOLDER}/NF_0001.JPG") for k, v in form.items()}
    answer = client.post(f"/cards/{large_card}/do", data=asked)
    assert answer.status_code == 422
    assert said in re.sub(r"\s+", " ", answer.text)
    assert 'id="s1"' in answer.text
    assert client.get(f"/api/v1/cards/{large_card}").json()["decisions"] == []


def test_names_that_are_no_text_can_be_decided_about(client: Client, places: Places) -> None:
    folder = places.inbox / "bog"
    folder.mkdir()
    for name in (b"1.tif", b"2\xff<b>.tif", b"3.tif", b"4.tif"):
        Path(str(folder), name.decode("utf-8", "surrogateescape")).write_bytes(b"x")
    card = card_id(str(folder))
    keep_card(places, card, folder)
    page = client.get(f"/cards/{card}").text
    assert "2\\udcff&lt;b&gt;" in page
    form = {"do": "leave-out", "stack": f"{folder}/1.tif", "frame": f"{folder}/2\\udcff<b>.tif"}
    assert client.post(f"/cards/{card}/do", data=form).status_code == 303
    first = client.get(f"/api/v1/cards/{card}").json()["content"][0]
    assert [frame["name"] for frame in first["frames"]] == ["1.tif"]


def test_a_card_that_is_not_there_is_said_to_be_missing(client: Client) -> None:
    for path in ("/cards/0123456789abcdef", "/cards/none"):
        answer = client.get(path)
        assert answer.status_code == 404
        assert "<h1>" in answer.text


@pytest.mark.parametrize(
    ("decision", "words"),
    [
        ({"do": "split", "before": "/c/2.jpg"}, "a new stack begins with 2.jpg"),
        ({"do": "take", "frames": ["/c/2.jpg"], "with": "/c/1.jpg"}, "2.jpg to the stack of 1.jpg"),
        ({"do": "take", "frames": ["a", "b"]}, "2 frames as a stack of its own"),
        ({"do": "leave-out", "frames": ["a", "b", "c"]}, "3 frames left out"),
        ({"do": "join", "frames": ["a", "b"]}, "the stacks of a and b are one"),
        ({"do": "confirm", "frames": ["a"]}, "the stack of a is right"),
    ],
)
def test_decisions_are_told_in_words(decision: dict[str, object], words: str) -> None:
    assert told(decision) == words
