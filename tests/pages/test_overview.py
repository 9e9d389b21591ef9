"""The overview as it lives: what happens shows by itself, and buttons do what they say."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from nearfar.jobs import ServerState
from tests.api.process import PATIENCE
from tests.pages.conftest import Studio


@pytest.fixture
def paused(studio: Studio) -> Iterator[Studio]:
    """Nothing begins while the test looks; open again afterwards."""
    set_server(studio, ServerState.PAUSED)
    yield studio
    set_server(studio, ServerState.OPEN)


def set_server(studio: Studio, state: ServerState) -> None:
    httpx.put(f"{studio.url}/api/v1/server", json={"state": state}, timeout=PATIENCE).raise_for_status()


def test_a_folder_in_the_inbox_shows_with_the_seconds_to_go_and_becomes_a_picture(
    studio: Studio, page: Any
) -> None:
    page.goto(studio.url)
    page.evaluate("window.same = true")
    shutil.copytree(studio.frames, studio.server.inbox / "late-heads")
    soon = page.locator("#live :text-matches('to go')")
    for turn in range(600):  # so that it does not become a job before the page has shown that it will
        (studio.server.inbox / "late-heads" / "extra.txt").write_text(f"what it is, {turn}")
        page.wait_for_timeout(100)
        if soon.count():
            break
    page.wait_for_selector("text=late-heads")
    shutil.rmtree(studio.server.inbox / "late-heads")
    page.wait_for_selector("text=late-heads", state="detached")
    assert page.evaluate("window.same"), "the page was not loaded again"


def test_what_runs_moves_on_by_itself_until_the_picture_is_there(studio: Studio, page: Any) -> None:
    page.goto(studio.url)
    job = studio.post("/jobs", folder="seed-heads", stack="quick-heads")["id"]
    assert studio.ended(job)["state"] == "done"
    page.wait_for_selector(f"#done-{job} img")
    assert page.inner_text(f"#done-{job} figcaption").startswith("quick-heads")


def test_a_waiting_job_says_why_and_obeys(paused: Studio, page: Any) -> None:
    job = paused.post("/jobs", folder="seed-heads", stack="waiting-heads")["id"]
    page.goto(paused.url)
    line = page.locator(f"#wait-{job}")
    assert "paused" in page.inner_text("section[aria-labelledby=waiting]")
    line.get_by_role("button", name="Sooner").click()
    page.wait_for_selector(f"#wait-{job} >> text=priority 1")
    line.get_by_role("button", name="Hold").click()
    page.wait_for_selector(f"#held-{job}")
    page.locator(f"#held-{job}").get_by_role("button", name="Release").click()
    page.wait_for_selector(f"#wait-{job}")
    line.get_by_role("button", name="Cancel").click()
    page.wait_for_selector(f"#wait-{job}", state="detached")
    assert paused.job(job)["state"] == "cancelled"


def test_the_server_is_paused_drained_and_opened(studio: Studio, page: Any) -> None:
    page.goto(studio.url)
    for button, said in (("Pause", "paused"), ("Drain", "draining"), ("Open", "open")):
        page.get_by_role("button", name=button, exact=True).click()
        page.wait_for_selector(f".serverline strong:text-is('{said}')")
        assert studio.server.get("/server")["state"] == said


def test_times_are_those_of_whoever_looks(studio: Studio, open_page: Any) -> None:
    texts = []
    for zone in ("Pacific/Auckland", "America/Lima"):
        with open_page(timezone_id=zone, locale="en-GB") as page:
            page.goto(f"{studio.url}/jobs/{studio.done}")
            texts.append(page.locator("main time").first.inner_text())
    assert all(re.search(r"\d\d:\d\d$", text) for text in texts)
    assert texts[0] != texts[1]


def test_without_script_the_overview_renews_itself_and_its_buttons_work(
    studio: Studio, open_page: Any
) -> None:
    with open_page(java_script_enabled=False) as page:
        page.goto(studio.url)
        assert page.locator("noscript meta[http-equiv=refresh]").count() == 1
        page.get_by_role("button", name="Pause", exact=True).click()
        page.wait_for_selector("main:has-text('The server is paused')")
        page.get_by_role("button", name="Open", exact=True).click()
        page.wait_for_selector("main:has-text('The server is open')")
        assert "nearfar send FOLDER" in page.inner_text("main")
        page.click("nav >> text=Jobs")
        page.fill("input[type=search]", "broken")
        page.click("text=Find")
        page.wait_for_url("**search=broken**")
        rows = page.locator("tbody tr").all_inner_texts()
        assert rows
        assert all("broken-heads" in row for row in rows)
