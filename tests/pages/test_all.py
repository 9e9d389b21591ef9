"""Every page at both widths, light and dark: nothing said in the console, nothing that axe-core finds, nothing too wide."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from tests.pages.browser import WIDTHS, cut_choices, overlapping, small_links, too_wide, violations
from tests.pages.conftest import Studio

Open = Callable[..., AbstractContextManager[Any]]

PAGES = {
    "overview": "/",
    "jobs": "/jobs",
    "jobs-none": "/jobs?search=basalt",
    "stack": "/jobs/{done}",
    "stack-failed": "/jobs/{failed}",
    "stack-held": "/jobs/{held}",
    "picture": "/jobs/{done}/picture",
    "picture-gaps": "/jobs/{without}/picture?other={done}",
    "beside": "/jobs/{done}/beside/{without}",
    "refused": "/jobs/{held}/picture",
    "status": "/status",
}

RENEWED = frozenset({"meta-refresh"})
"""The plain page has no script and renews itself as a whole, as it says at its end."""


def go(page: Any, studio: Studio, name: str) -> None:
    numbers = {"done": studio.done, "without": studio.without, "failed": studio.failed, "held": studio.held}
    if name == "refused":
        page.told.expected.append("404")
    page.goto(studio.url + PAGES[name].format(**numbers), wait_until="load")
    if name.startswith("picture") and page.evaluate("typeof OpenSeadragon") != "undefined":
        page.wait_for_selector("#viewer[data-ready]")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_fit_for_every_reader(
    studio: Studio, open_page: Open, shots: Path, name: str, width: int
) -> None:
    scheme = "light" if width == WIDTHS[0] else "dark"
    with open_page(width=width, color_scheme=scheme) as page:
        go(page, studio, name)
        assert violations(page, but=RENEWED if name == "status" else frozenset()) == []
        assert too_wide(page) <= 0
        assert cut_choices(page) == []
        assert small_links(page) == []
        assert overlapping(page, "main :is(button, a, input, select, h1, h2, img, label)") == []
        page.screenshot(path=shots / f"{name}-{width}-{scheme}.png", full_page=True)


@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_readable_without_script(studio: Studio, open_page: Open, name: str) -> None:
    with open_page(width=390, java_script_enabled=False) as page:
        go(page, studio, name)
        words = page.inner_text("main")
        assert len(words) > 40
        assert not page.locator("[data-do]:visible").count(), "no button that needs script"
