"""A stack's page: frames and plots, a frame left out by a click, versions side by side, what failed and why."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import httpx

from tests.api.process import PATIENCE
from tests.pages.conftest import Studio


def test_each_frame_shows_itself_and_what_it_gave(studio: Studio, page: Any) -> None:
    page.goto(f"{studio.url}/jobs/{studio.done}")
    frames = page.locator(".strip li")
    assert frames.count() == 9
    for k in range(9):
        frames.nth(k).scroll_into_view_if_needed()
        page.wait_for_function(
            "k => { const i = document.querySelectorAll('.strip img')[k]; return i.complete && i.naturalWidth > 100; }",
            arg=k,
        )
    report = studio.server.get(f"/jobs/{studio.done}/report")
    for k, told in enumerate(report["frames"]):
        text = frames.nth(k).inner_text()
        assert told["name"] in text
        assert f"+{0.5 * k:.1f} s" in text, "the frames were taken half a second apart"
        assert "%" in text
    assert "reference" in page.inner_text(f".strip li:has-text('{report['reference']}')")


def test_frames_show_themselves_while_the_job_runs(studio: Studio, page: Any) -> None:
    def server(state: str) -> None:
        httpx.put(f"{studio.url}/api/v1/server", json={"state": state}, timeout=PATIENCE).raise_for_status()

    server("paused")
    job = studio.post("/jobs", folder="seed-heads", stack="showing-heads")["id"]
    try:
        page.goto(f"{studio.url}/jobs/{job}")
        page.evaluate("window.same = true")
        assert page.locator("#strip li").count() == 9
        assert not page.locator("#strip img").count()
        # once the job ends another page takes the place of this one
        after_survey(studio, job, time.time() + 3600)
        server("open")
        page.wait_for_selector("#strip img", timeout=60_000)
        assert page.evaluate("window.same"), "the page was not loaded again"
        assert studio.job(job)["state"] == "running"
    finally:
        after_survey(studio, job, 0.0)
        server("open")


def after_survey(studio: Studio, job: int, begin: float) -> None:
    """Let nothing but the survey of a job begin before that time, Unix seconds."""
    with contextlib.closing(sqlite3.connect(studio.server.data / "store.sqlite", timeout=60)) as store, store:
        store.execute("UPDATE units SET not_before = ? WHERE job = ? AND kind <> 'survey'", (begin, job))


def test_there_is_a_plot_for_each_column_of_the_table(studio: Studio, page: Any) -> None:
    page.goto(f"{studio.url}/jobs/{studio.done}")
    assert page.locator(".plots svg").count() == 5
    titles = page.locator(".plots figcaption span:first-child").all_inner_texts()
    assert titles == ["Sharpness", "Exposure, EV", "Shift, px", "Scale, %", "Confidence"]
    page.click("summary")
    cells = page.locator("#figures tbody tr").first.locator("td").all_inner_texts()
    told = studio.server.get(f"/jobs/{studio.done}/report")["frames"][0]
    assert float(cells[0].split()[0]) == round(told["sharpness"], 3)
    assert float(cells[4].split()[0]) == round(told["confidence"], 2)


def test_a_click_on_a_point_leaves_the_frame_out_of_another_version(studio: Studio, page: Any) -> None:
    page.goto(f"{studio.url}/jobs/{studio.done}")
    page.locator(".plots a[href='#leave-8']").first.click()
    assert page.locator("#frame-8 input").is_checked()
    page.locator(".plots a[href='#leave-8']").last.click()
    assert not page.locator("#frame-8 input").is_checked(), "a second click takes it in again"
    page.locator(".plots a[href='#leave-9']").first.click()
    assert page.locator("#frame-9 input").is_checked()
    assert page.locator(".plots .out").count() == 5, "every plot shows it"
    page.get_by_role("button", name="Make another version").click()
    page.wait_for_url(lambda url: not url.endswith(f"/{studio.done}"))
    made = int(page.url.rsplit("/", 1)[1])
    job = studio.job(made)
    assert job["again_of"] == studio.done
    assert job["settings"]["leave_out"] == [studio.server.get(f"/jobs/{made}/frames")["frames"][8]["name"]]
    page.wait_for_selector("figure.print img", timeout=60_000)
    assert page.locator("#frame-9 input").is_checked()
    page.click(f"text=Side by side with job {studio.done}")
    page.wait_for_selector(".pair figure >> nth=1")
    assert page.locator(".pair figure").count() == 2


def test_a_frame_in_a_plot_is_reached_by_keys_and_leads_to_its_box(
    studio: Studio, open_page: Callable[..., AbstractContextManager[Any]]
) -> None:
    for script in (True, False):
        with open_page(java_script_enabled=script) as page:
            page.goto(f"{studio.url}/jobs/{studio.done}")
            link = page.locator(".plots a[href='#leave-3']").nth(1)
            assert link.locator(".told").is_hidden()
            page.locator(".plots a[href='#leave-2']").nth(1).focus()
            page.keyboard.press("Tab")
            assert link.locator(".told").is_visible()
            assert (link.locator(".told").text_content() or "").startswith("frame 3: ")
            page.keyboard.press("Enter")
            page.keyboard.press("Space")
            assert page.locator("#frame-3 input").is_checked()


def test_nothing_changed_is_refused_with_a_way_back(studio: Studio, page: Any) -> None:
    page.told.expected.append("422")
    page.goto(f"{studio.url}/jobs/{studio.done}")
    with page.expect_navigation():
        page.get_by_role("button", name="Make another version").click()
    assert "Nothing would be different" in page.inner_text("main")
    with page.expect_navigation():
        page.click("text=Back")
    assert page.url.endswith(f"/jobs/{studio.done}")


def test_what_failed_says_which_frames_and_what_to_do(studio: Studio, page: Any) -> None:
    page.goto(f"{studio.url}/jobs/{studio.failed}")
    text = page.inner_text("main")
    assert "1.jpg" in text
    assert "Copy the file again" in text
    assert page.get_by_role("button", name="Run again").count() == 1


def test_the_report_prints_without_what_only_a_screen_can_use(studio: Studio, page: Any) -> None:
    page.goto(f"{studio.url}/jobs/{studio.done}")
    page.emulate_media(media="print")
    for shown in ("#told-of", "#frames", ".strip img"):
        assert page.locator(shown).first.is_visible()
    for hidden in ("#again", ".trail", "button", "nav", ".plots", ".strip label"):
        assert not page.locator(hidden).first.is_visible(), hidden
    assert page.locator("#figures").is_visible(), "the table takes the place of the plots"
