"""On paper: a job's report black on white, whatever the screen prefers, with nothing on it that only a screen can do."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from tests.pages.conftest import Studio

Open = Callable[..., AbstractContextManager[Any]]
DARK = 0x60


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_report_prints_black_on_white_with_all_that_it_says(
    studio: Studio, open_page: Open, shots: Path, scheme: str
) -> None:
    with open_page(color_scheme=scheme) as page:
        page.goto(f"{studio.url}/jobs/{studio.without}", wait_until="networkidle")
        said = page.locator("section[aria-labelledby=told-of] li").all_inner_texts()
        page.emulate_media(media="print", color_scheme=scheme)
        assert page.locator("section[aria-labelledby=told-of] li").all_inner_texts() == said
        assert page.locator(".strip img").count() == 9
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        shown = "[...document.querySelectorAll('h1, h2, p, li, td, th')].filter(e => e.checkVisibility())"
        colours = page.evaluate(f"{shown}.map(e => getComputedStyle(e).color)")
        assert all(max(map(int, re.findall(r"\d+", colour)[:3])) < DARK for colour in colours)
        for selector in (
            "button:visible",
            "select:visible",
            "input:visible",
            "nav:visible",
            "summary:visible",
        ):
            assert page.locator(selector).count() == 0, selector
        assert page.locator("#figures").is_visible(), "the figures in place of the plots"
        (shots / f"report-{scheme}.pdf").write_bytes(page.pdf(format="A4"))
