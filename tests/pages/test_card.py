"""A real card on its page: what was told apart and why, and every decision by a button, with script and without."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.acceptance.serving import Served, served
from tests.api.process import PATIENCE
from tests.pages.browser import WIDTHS, overlapping, too_wide, violations
from tests.scenes.card import write_card

Open = Callable[..., AbstractContextManager[Any]]


@dataclass(frozen=True, kw_only=True)
class Desk:
    """A server below a sub-path that has sorted a card of three stacks, one of them asked about; nothing is merged."""

    server: Served
    card: str

    @property
    def page(self) -> str:
        return f"{self.server.url}/cards/{self.card}"

    def told(self) -> dict[str, Any]:
        found: dict[str, Any] = self.server.get(f"/cards/{self.card}")
        return found

    def frames(self) -> list[list[str]]:
        return [[frame["name"] for frame in stack["frames"]] for stack in self.told()["content"]]

    def undo_all(self) -> None:
        for _ in self.told()["decisions"]:
            httpx.delete(
                f"{self.server.url}/api/v1/cards/{self.card}/decisions", timeout=PATIENCE
            ).raise_for_status()


@pytest.fixture(scope="module")
def served_card(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("desk")
    write_card(folder / "wetland", seed=50, events=4, bodies=1)
    # a server waits for what is to come of it
    (folder / "wetland" / "DCIM" / "100NRFAR" / "empty.JPG").unlink()
    with served(folder / "data", NEARFAR_SERVER_PATH="/merge") as server:
        httpx.put(
            f"{server.url}/api/v1/server", json={"state": "paused"}, timeout=PATIENCE
        ).raise_for_status()
        (folder / "wetland").rename(server.inbox / "wetland")

        def all_told() -> list[Any]:
            cards = server.get("/cards")["cards"]
            return [c for c in cards if c["stacks"]["ask"] == 1 and c["stacks"]["taken"] == 2]

        server.wait(all_told, what="the card is sorted and its clear stacks are jobs")
        yield Desk(server=server, card=all_told()[0]["id"])


@pytest.fixture
def desk(served_card: Desk) -> Iterator[Desk]:
    yield served_card
    served_card.undo_all()


def tick(page: Any, *names: str) -> None:
    for name in names:
        page.locator(f"input[name=frame][value$='/{name}']").check()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", ["/cards", "/cards/{card}", "/cards/{card}?show=ask"])
def test_cards_are_fit_for_every_reader(
    desk: Desk, open_page: Open, shots: Path, path: str, width: int
) -> None:
    scheme = "light" if width == WIDTHS[0] else "dark"
    with open_page(width=width, color_scheme=scheme) as page:
        page.goto(desk.server.url + path.format(card=desk.card))
        assert violations(page) == []
        assert too_wide(page) <= 0
        if "/cards/" in path:
            tick(page, desk.frames()[-1][1])
            assert violations(page) == [], "also with the buttons that a choice brings"
            assert overlapping(page, "main :is(button, a, input, select, h1, h2, img, label)") == []
        name = f"card{'s' * (path == '/cards')}{'-ask' * ('=' in path)}"
        page.screenshot(path=shots / f"{name}-{width}-{scheme}.png", full_page=True)


def test_a_card_tells_stacks_boundaries_and_what_is_left_out_each_with_its_reason(
    desk: Desk, page: Any
) -> None:
    page.goto(desk.page)
    told = desk.told()
    words = page.inner_text("main")
    for boundary in told["boundaries"]:
        assert boundary["why"][1:] in words
    for entry in told["files_left_out"]:
        stem = entry["path"].rpartition("/")[2].rpartition(".")[0]
        assert stem in words or page.locator(f"details >> text={stem}").count()
    assert page.locator(".cells img").count() >= sum(map(len, desk.frames()))
    assert page.evaluate("[...document.querySelectorAll('.cells img')].every(i => i.loading === 'lazy')")
    assert page.locator("h2:has-text('Stack 1')").count() == 1


def test_the_overview_counts_cards_that_wait_and_leads_to_the_question(desk: Desk, page: Any) -> None:
    page.goto(desk.server.url)
    needs = page.locator("section[aria-labelledby=needs]")
    assert "1 to be answered" in needs.inner_text()
    needs.get_by_role("link", name="Answer for wetland").click()
    page.wait_for_url(re.compile(r"show=ask"))
    assert page.locator(".stack").count() == 1
    assert page.locator(".asked img").count() == 2


def test_a_question_is_answered_either_way_and_taken_back(desk: Desk, page: Any) -> None:
    before = desk.frames()
    page.goto(f"{desk.page}?show=ask")
    page.evaluate("window.same = true")
    page.get_by_role("button", name=re.compile("^No, ")).click()
    page.wait_for_selector("[role=status] >> text=1 decision, not acted on yet")
    assert len(desk.frames()) == len(before) + 1
    page.get_by_role("button", name="Undo the last").click()
    page.wait_for_selector("text=1 to be answered")
    assert desk.frames() == before
    page.get_by_role("button", name=re.compile("^Yes")).click()
    page.wait_for_selector("[role=status] >> text=is right")
    assert desk.told()["stacks"]["decided"] == 1
    assert page.evaluate("window.same"), "the page was not loaded again"


@pytest.mark.parametrize("script", [True, False])
def test_a_boundary_is_moved_a_stack_split_and_joined(desk: Desk, open_page: Open, script: bool) -> None:
    before = desk.frames()
    last = before[2]
    with open_page(java_script_enabled=script) as page:
        page.goto(desk.page)
        steps = [
            ("All up to here to stack 2", last[1], [before[0], before[1] + last[:2], last[2:]]),
            ("A new stack begins here", last[3], [before[0], before[1] + last[:2], last[2:3], last[3:]]),
        ]
        for count, (button, frame, after) in enumerate(steps, 1):
            tick(page, frame)
            page.get_by_role("button", name=button).locator("visible=true").click()
            page.wait_for_selector(f"[role=status] >> text={count} decision")
            assert desk.frames() == after
            assert not page.locator("input[name=frame]:checked").count()
        page.get_by_role("button", name="Join 3 and 4").click()
        page.wait_for_selector("[role=status] >> text=3 decisions")
        assert desk.frames() == [before[0], before[1] + last[:2], last[2:]]


@pytest.mark.parametrize("script", [True, False])
def test_frames_are_left_out_and_taken_in(desk: Desk, open_page: Open, script: bool) -> None:
    before = desk.frames()
    last = before[2]
    with open_page(width=390, java_script_enabled=script) as page:
        page.goto(f"{desk.page}?at=3")
        form = page.locator("form.stack", has_text=f"{last[0].partition('.')[0]}").last
        tick(page, last[1], last[3])
        form.get_by_label("with all between the frames chosen").check()
        form.get_by_role("button", name="Leave out").click()
        page.wait_for_selector("[role=status] >> text=3 frames left out")
        assert desk.frames()[2] == [last[0], last[4]]
        tick(page, last[2])
        page.get_by_role("button", name="Take in to stack 3").click()
        page.wait_for_selector("[role=status] >> text=2 decisions")
        assert desk.frames()[2] == [last[0], last[2], last[4]]


def test_what_makes_no_sense_is_said_and_nothing_is_decided(desk: Desk, page: Any) -> None:
    page.goto(desk.page)
    page.told.expected.append("422")
    tick(page, desk.frames()[2][0])
    page.get_by_role("button", name="A new stack begins here").locator("visible=true").click()
    page.wait_for_selector("[role=alert] >> text=the first of its stack")
    assert desk.told()["decisions"] == []
    answer = httpx.post(
        f"{desk.page}/do", data={"do": "leave-out", "stack": "/nowhere.jpg"}, timeout=PATIENCE
    )
    assert answer.status_code == 422
    assert "no longer there" in answer.text


def test_go_makes_jobs_of_what_was_decided(served_card: Desk, page: Any) -> None:
    page.goto(f"{served_card.page}?show=ask")
    page.get_by_role("button", name=re.compile("^Yes")).click()
    page.get_by_role("button", name=re.compile("^Go")).click()
    page.wait_for_selector("#standing >> text=3 jobs")
    assert served_card.told()["stacks"]["taken"] == 3
    page.goto(served_card.page)
    assert page.locator(".stack a:text-matches('Job [0-9]+')").count() == 3
