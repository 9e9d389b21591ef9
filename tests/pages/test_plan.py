"""Planning on a page: fields by what moves, a drawing without script, the card on one sheet, planned against shot."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import pytest

from nearfar.bracket import read_plan
from tests.api.process import PATIENCE
from tests.pages.browser import WIDTHS, overlapping, too_wide, violations
from tests.pages.conftest import Studio

Open = Callable[..., AbstractContextManager[Any]]
WAYS = ("ring", "rail", "stage")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("query", [*(f"way={way}" for way in WAYS), "near=12"])
def test_plans_are_fit_for_every_reader(
    studio: Studio, open_page: Open, shots: Path, query: str, width: int
) -> None:
    scheme = "light" if width == WIDTHS[0] else "dark"
    with open_page(width=width, color_scheme=scheme) as page:
        page.told.expected.append("422")
        page.goto(f"{studio.url}/plan?{query}")
        assert violations(page) == []
        assert too_wide(page) <= 0
        assert overlapping(page, "main :is(button, a, input, select, h1, h2, img, label)") == []
        page.screenshot(path=shots / f"plan-{query.replace('=', '-')}-{width}-{scheme}.png", full_page=True)


@pytest.mark.parametrize("script", [True, False])
def test_only_what_belongs_to_what_moves_is_asked(studio: Studio, open_page: Open, script: bool) -> None:
    with open_page(java_script_enabled=script) as page:
        page.goto(f"{studio.url}/plan")
        assert page.get_by_label("Nearest point").is_visible()
        assert not page.get_by_label("Objective").is_visible()
        page.get_by_label("A microscope's stage").check()
        assert not page.get_by_label("Nearest point").is_visible()
        page.get_by_label("Objective").fill("20/0.5")
        page.get_by_label("Depth of the subject").fill("0.1mm")
        with page.expect_navigation():  # to its end: styles tell which drawing is shown
            page.get_by_role("button", name="Work it out").click()
        # Depth of field 1.0 * 0.55 / 0.5^2 = 2.2 um, step at most 0.7 of it: ceil(100 / 1.54) + 1 = 66 frames.
        assert "66 frames, each 1.54 µm" in page.inner_text("#found")
        assert page.locator(".dofs svg:visible .dof").count() == 66


def test_the_drawing_shows_what_the_plan_says_and_takes_its_colours_from_the_page(
    studio: Studio, open_page: Open
) -> None:
    # Kept as the command would have it, to compare with.
    plan = read_plan(
        httpx.get(f"{studio.url}/plan/plan.json?focal=50mm&near=1m&far=3m", timeout=PATIENCE).text
    )
    for width, scheme in ((1280, "light"), (390, "dark")):
        with open_page(width=width, color_scheme=scheme) as page:
            page.goto(f"{studio.url}/plan?focal=50mm&near=1m&far=3m")
            bars = page.locator(".dofs svg:visible .dof")
            assert bars.count() == plan.frames
            boxes = [bars.nth(k).bounding_box() for k in range(plan.frames)]
            assert all(a["x"] < b["x"] < a["x"] + a["width"] for a, b in pairwise(boxes))
            last = plan.steps[-1]
            share = (1 / plan.steps[0].near - 1 / last.near) / (1 / plan.steps[0].near - 1 / last.far)
            span = boxes[-1]["x"] + boxes[-1]["width"] - boxes[0]["x"]
            assert (boxes[-1]["x"] - boxes[0]["x"]) / span == pytest.approx(share, abs=0.01)
            ink = page.evaluate("getComputedStyle(document.querySelector('.at')).stroke")
            assert ink == page.evaluate("getComputedStyle(document.body).color")
            assert "Frame 1 is sharp from" in (
                page.locator("svg:visible[role=img]").get_attribute("aria-label") or ""
            )


def test_a_field_that_is_not_understood_is_named_and_marked(studio: Studio, page: Any) -> None:
    page.told.expected.append("422")
    page.goto(f"{studio.url}/plan?way=rail&magnification=big")
    assert "“Magnification”" in page.inner_text("#refused")
    assert page.locator("[aria-invalid]").get_attribute("name") == "magnification"
    assert "--" not in page.inner_text("#refused")


@pytest.mark.parametrize(
    "query", ["", "focal=100mm&near=50cm&f_number=5.6", "way=stage&objective=20/0.42&depth=2mm"]
)
def test_the_card_for_the_field_is_one_sheet(studio: Studio, page: Any, query: str) -> None:
    page.goto(f"{studio.url}/plan?{query}")
    with page.expect_navigation():
        page.get_by_role("link", name="Card for the field").click()
    for paper in ("A4", "Letter"):
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) == 1


def test_the_card_is_black_on_white_whatever_the_screen_prefers_and_says_what_harms(
    studio: Studio, open_page: Open
) -> None:
    with open_page(width=390, color_scheme="dark") as page:
        page.goto(f"{studio.url}/plan/card")
        assert violations(page) == []
        assert too_wide(page) <= 0
        page.emulate_media(media="print")
        colours = page.evaluate(
            "[...document.querySelectorAll('body, h1, td, th, dt, li')].map(e => getComputedStyle(e).color)"
        )
        assert all(max(map(int, re.findall(r"\d+", colour)[:3])) < 0x50 for colour in colours)
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        for word in ("sun", "ultraviolet", "live subject", "Local rules"):
            assert word in page.inner_text(".safety")


def test_what_was_shot_is_compared_and_the_plan_kept_with_its_job(studio: Studio, page: Any) -> None:
    page.goto(f"{studio.url}/plan?way=rail&depth=10mm")
    page.get_by_label("Compare with").select_option(f"job-{studio.done}")
    with page.expect_navigation():
        page.get_by_role("button", name="Compare").click()
    said = page.inner_text("section[aria-labelledby=against]")
    assert re.search(r"\d+ frames were planned, 9 were shot", said)
    page.get_by_role("button", name=f"Keep this plan with job {studio.done}").click()
    page.wait_for_url(re.compile(rf"/jobs/{studio.done}#plan"))
    kept = studio.server.get(f"/jobs/{studio.done}/plan")
    assert [line[0].upper() + line[1:] for line in kept["said"]] == [
        text.removeprefix("– ") for text in page.locator("#plan-said li").all_inner_texts()
    ]
