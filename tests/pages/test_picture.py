"""The picture, close: by keys, buttons and fingers; maps, gaps, another version under a wipe."""

from __future__ import annotations

import io
import operator
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.pages.browser import drawn
from tests.pages.conftest import Studio

T = TypeVar("T")
EDGE = 8
"""Pixels at the viewer's edge in which the mark of the focus may lie."""


def look(page: Any, studio: Studio, job: int, *, other: int | None = None) -> None:
    page.goto(f"{studio.url}/jobs/{job}/picture" + (f"?other={other}" if other else ""))
    page.wait_for_selector("#viewer[data-ready]")
    page.wait_for_load_state("networkidle")
    page.locator("#viewer").focus()


def seen(page: Any) -> NDArray[np.float32]:
    """What the viewer shows, (h, w, 3), after it came to rest."""
    page.wait_for_load_state("networkidle")
    return at_rest(page, lambda: _shot(page), same=np.array_equal)


def _shot(page: Any) -> NDArray[np.float32]:
    shot = page.locator("#viewer").screenshot()
    return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB"), np.float32)[EDGE:-EDGE, EDGE:-EDGE]


def zoom(page: Any) -> int:
    """What the page says of it, after the viewer came to rest."""
    return at_rest(page, lambda: int(page.inner_text("#zoom").split()[0]), same=operator.eq)


def at_rest(page: Any, look: Callable[[], T], *, same: Callable[[T, T], bool]) -> T:
    """What is there once it is the same thrice, a quarter of a second apart, while nothing is on its way and the browser
    gets to draw: easing, and making a tile, take longer on a busy machine.
    """
    seen: list[T] = []
    for _ in range(120):
        drawn(page)
        seen = [*seen[-2:], look()] if not page.awaited else []
        page.wait_for_timeout(250)
        if len(seen) == 3 and same(seen[0], seen[1]) and same(seen[1], seen[2]):
            return seen[2]
    raise AssertionError("it does not come to rest within half a minute")


def test_keys_go_closer_and_back_and_move(studio: Studio, page: Any) -> None:
    look(page, studio, studio.done)
    all_of_it = zoom(page)
    page.keyboard.press("1")
    assert zoom(page) == 100
    page.keyboard.press("+")
    assert zoom(page) == 150
    before = seen(page)
    page.keyboard.press("ArrowRight")
    assert np.abs(seen(page) - before).mean() > 1
    page.keyboard.press("0")
    assert zoom(page) == all_of_it


def test_the_list_of_keys_is_what_the_keys_do(studio: Studio, page: Any) -> None:
    look(page, studio, studio.without, other=studio.done)
    listed = page.locator("#keys kbd").all_inner_texts()
    assert {"f", "d", "g", "n", "w", "b", "0", "1"} <= set(listed)
    for key, pressed in (("f", "focus"), ("d", "doubt")):
        page.keyboard.press(key)
        page.wait_for_selector(f"[data-do={pressed}][aria-pressed=true]")
        assert page.locator(f"[data-legend={pressed}]").is_visible()
        page.keyboard.press(key)
        page.wait_for_selector(f"[data-do={pressed}][aria-pressed=false]")


def test_the_focus_map_lies_over_the_picture_in_its_colours(studio: Studio, page: Any) -> None:
    look(page, studio, studio.done)
    plain = seen(page)
    page.click("[data-do=focus]")
    mapped = seen(page)
    assert np.abs(mapped - plain).mean() > 5
    page.click("[data-do=focus]")
    assert np.abs(seen(page) - plain).mean() < 0.5


def test_gaps_are_outlined_and_looked_at_one_after_the_other(studio: Studio, page: Any) -> None:
    report = studio.server.get(f"/jobs/{studio.without}/report")
    assert report["gaps"], "two frames in the middle are missing"
    look(page, studio, studio.without)
    assert page.locator(".marks .gap").count() == len(report["gaps"])
    before = zoom(page)
    page.keyboard.press("n")
    assert zoom(page) != before
    assert page.inner_text("#said").startswith(f"Gap 1 of {len(report['gaps'])}")
    page.keyboard.press("g")
    assert not page.locator(".marks .gap:visible").count()


def test_a_wipe_shows_one_version_left_and_the_other_right(studio: Studio, page: Any) -> None:
    look(page, studio, studio.without, other=studio.done)
    page.keyboard.press("g") if page.locator("[data-do=gaps]").count() else None
    half = seen(page)
    page.locator("#wipe").fill("0")
    right = seen(page)
    page.locator("#wipe").fill("100")
    left = seen(page)
    assert np.abs(left - right).mean() > 0.2, "the versions differ"
    middle, margin = half.shape[1] // 2, 12
    assert np.abs(half[:, : middle - margin] - left[:, : middle - margin]).mean() < 0.05
    assert np.abs(half[:, middle + margin :] - right[:, middle + margin :]).mean() < 0.05
    page.locator("#viewer").focus()
    page.keyboard.down("b")
    assert np.abs(seen(page)[:, : middle - margin] - right[:, : middle - margin]).mean() < 0.05
    page.keyboard.up("b")
    assert np.abs(seen(page)[:, : middle - margin] - left[:, : middle - margin]).mean() < 0.05


def test_two_fingers_go_closer(studio: Studio, open_page: Any) -> None:
    with open_page(width=390, has_touch=True, is_mobile=True) as page:
        look(page, studio, studio.done)
        before = zoom(page)
        box = page.locator("#viewer").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        session = page.context.new_cdp_session(page)

        def touch(kind: str, apart: float) -> None:
            points = [{"x": x - apart, "y": y, "id": 0}, {"x": x + apart, "y": y, "id": 1}]
            session.send(
                "Input.dispatchTouchEvent",
                {"type": kind, "touchPoints": [] if kind == "touchEnd" else points},
            )

        touch("touchStart", 20)
        for apart in range(24, 120, 8):
            touch("touchMove", apart)
            drawn(page)
        touch("touchEnd", 0)
        assert zoom(page) > 1.5 * before
