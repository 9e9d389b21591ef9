"""Looking and mending: frames side by side where someone points, a region drawn by hand, what is used there, undone and
redone; by pointer, keys, touch and plain forms. The jobs and the pictures are real.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pages.browser import WIDTHS, drawn, overlapping, too_wide, violations
from tests.pages.conftest import Studio
from tests.pages.test_picture import look, seen

PLACE = (400, 250)


@pytest.fixture(scope="module")
def mended(studio: Studio) -> int:
    """A picture of its own, which these tests mend."""
    job: int = studio.post("/jobs", folder="seed-heads", stack="mended-heads")["id"]
    assert studio.ended(job)["state"] == "done"
    return job


@pytest.fixture
def page(open_page: Any) -> Any:
    with open_page(reduced_motion="reduce") as found:
        yield found


def point(page: Any, x: float, y: float) -> tuple[float, float]:
    """Where a place of the picture is on the screen; the whole picture is shown, in the middle."""
    page.locator("#viewer").scroll_into_view_if_needed()
    box = page.locator("#viewer").bounding_box()
    scale = min(box["width"] / 640, box["height"] / 480)
    left = box["x"] + (box["width"] - 640 * scale) / 2
    top = box["y"] + (box["height"] - 480 * scale) / 2
    return left + (x + 0.5) * scale, top + (y + 0.5) * scale


def pixels(studio: Studio, name: str) -> NDArray[np.float32]:
    answer = httpx.get(f"{studio.url}/iiif/3/{name}/full/max/0/default.png", timeout=60).raise_for_status()
    found = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    return np.asarray(found, np.float32)


def crops(page: Any) -> list[str]:
    """What stands beside the picture at the place, once all of it is there to be seen."""
    page.wait_for_selector(".crop")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.crop img')].every(i => i.complete && i.naturalWidth > 0)"
    )
    found: list[str] = page.locator("label.crop .pick").all_inner_texts()
    return found


def made(page: Any, mends: int) -> None:
    """Wait until the picture has that many mends."""
    page.wait_for_selector(
        f"#mending[data-state=shown] .count:text-is('{mends}')" if mends else "#mending[data-state=none]"
    )


def draw(page: Any, corners: list[tuple[float, float]]) -> None:
    """Drag along some places of the picture."""
    page.mouse.move(*point(page, *corners[0]))
    page.mouse.down()
    for corner in corners[1:]:
        page.mouse.move(*point(page, *corner), steps=4)
    page.mouse.up()


def test_a_click_shows_the_frames_that_are_sharp_there_side_by_side(
    studio: Studio, page: Any, mended: int
) -> None:
    look(page, studio, mended)
    page.mouse.click(*point(page, *PLACE))
    listed = crops(page)
    told = studio.server.get(f"/jobs/{mended}/sharpest?x={PLACE[0]}&y={PLACE[1]}")
    assert [re.split(r"\s+", text.strip())[0] for text in listed] == [
        str(f["number"]) for f in told["frames"][:5]
    ]
    assert page.locator("label.crop input").first.is_checked(), "the sharpest one is at hand"
    widths = page.locator(".crop img").evaluate_all("all => all.map(i => i.naturalWidth)")
    assert widths == [256] * len(widths)
    page.locator("#viewer").focus()
    page.keyboard.press("c")
    page.wait_for_function("() => document.querySelector('#where [name=x]').value === '320'")


def test_any_frame_lies_beside_under_the_wipe(studio: Studio, page: Any, mended: int) -> None:
    look(page, studio, mended)
    whole = seen(page)
    page.locator("#other").select_option("frame-9")
    page.wait_for_selector("#wipe:enabled")
    half = seen(page)
    middle, margin = half.shape[1] // 2, 12
    assert np.abs(half[:, : middle - margin] - whole[:, : middle - margin]).mean() < 0.05
    assert np.abs(half[:, middle + margin :] - whole[:, middle + margin :]).mean() > 1, (
        "the last frame is not sharp here"
    )


def test_a_region_is_mended_undone_and_redone_and_seen_at_once(
    studio: Studio, page: Any, mended: int
) -> None:
    before = pixels(studio, f"job-{mended}")
    look(page, studio, mended)
    page.click("[data-do=box]")
    draw(page, [(300, 200), (380, 280)])
    left, top, width, height = map(int, page.input_value("[name=region]").split(","))
    assert max(abs(left - 300), abs(top - 200), abs(width - 80), abs(height - 80)) <= 2
    crops(page)
    page.locator(".uses select").select_option("9")
    page.locator("[name=use][value=frame]").check()
    page.fill("[name=edge]", "4")
    shown = seen(page)
    page.get_by_role("button", name="Mend", exact=True).click()
    made(page, 1)
    after = pixels(studio, f"job-{mended}")
    frame = pixels(studio, f"job-{mended}:frame-9")
    inside = np.s_[top + 8 : top + height - 8, left + 8 : left + width - 8]
    assert np.abs(after[inside] - frame[inside]).mean() < 2, "the ninth frame is there now"
    assert np.abs(after - before)[: top - 8].max() == 0, "and nowhere else"
    assert np.abs(seen(page) - shown).mean() > 0.05, "the viewer shows it"
    assert np.array_equal(pixels(studio, f"job-{mended}:before"), before)
    assert "frame 9" in page.inner_text(".mends li")
    page.locator("#viewer").focus()
    page.keyboard.press("u")
    made(page, 0)
    assert np.array_equal(pixels(studio, f"job-{mended}"), before)
    assert "undone by http" in page.inner_text(".mends li")
    page.get_by_role("button", name="Redo mend 1").click()
    made(page, 1)
    assert np.array_equal(pixels(studio, f"job-{mended}"), after)
    page.locator("#other").select_option("before")
    page.wait_for_selector("#wipe:enabled")


def test_earlier_versions_can_be_fetched(studio: Studio, page: Any, mended: int) -> None:
    page.goto(f"{studio.url}/jobs/{mended}/picture")
    line = page.locator("#mending li", has_text="version 1")
    assert "as merged" in line.inner_text()
    with page.expect_download() as fetched:
        line.locator("a").click()
    assert fetched.value.path().read_bytes()[:4] in (b"II*\0", b"II+\0")


def test_a_region_is_drawn_with_keys_alone(studio: Studio, page: Any, mended: int) -> None:
    look(page, studio, mended)
    page.keyboard.press("r")
    assert page.locator("[data-do=box]").get_attribute("aria-pressed") == "true"
    page.keyboard.press("Space")
    for key in ("ArrowRight", "ArrowDown"):
        for _ in range(6):
            page.keyboard.press(key)
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Space")
    left, top, width, height = map(int, page.input_value("[name=region]").split(","))
    assert abs(left - 320) <= 1
    assert abs(top - 240) <= 1
    assert 30 < width < 60
    assert 0 < height - width <= 2
    page.locator("#viewer").focus()
    page.keyboard.press("o")
    for key in (
        "Space",
        "ArrowRight",
        "ArrowRight",
        "Space",
        "ArrowDown",
        "ArrowDown",
        "Space",
        "ArrowLeft",
        "Space",
    ):
        page.keyboard.press(key)
    page.keyboard.press("Backspace")
    page.keyboard.press("Enter")
    assert len(page.input_value("[name=region]").split()) == 3
    crops(page)
    page.locator("#viewer").focus()
    page.keyboard.press("r")
    page.keyboard.press("Escape")
    assert page.locator("[data-do=box]").get_attribute("aria-pressed") == "false"


def test_an_outline_is_drawn_with_a_finger(studio: Studio, open_page: Any, mended: int) -> None:
    with open_page(width=390, has_touch=True, is_mobile=True, reduced_motion="reduce") as page:
        look(page, studio, mended)
        page.tap("[data-do=outline]")
        session = page.context.new_cdp_session(page)

        def touch(kind: str, *place: float) -> None:
            points = [dict(zip("xy", point(page, *place), strict=True))] if place else []
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", 250, 200)
        for turn in np.linspace(0, 6, 24):
            touch("touchMove", 320 - 70 * np.cos(turn), 200 + 70 * np.sin(turn))
            drawn(page)
        touch("touchEnd")
        corners = [tuple(map(int, each.split(","))) for each in page.input_value("[name=region]").split()]
        assert len(corners) > 8
        away = np.hypot(*(np.array(corners) - (320, 200)).T)
        assert np.abs(away - 70).max() < 6
        crops(page)
        page.locator("label.crop").first.tap()
        before = page.locator(".marks .mended").count()
        page.get_by_role("button", name="Mend", exact=True).tap()
        made(page, before + 1)
        assert page.locator(".marks .mended").count() == before + 1
        page.locator(".mends [value=undo]").last.tap()
        made(page, before)


def test_mending_works_by_plain_forms(studio: Studio, open_page: Any, mended: int) -> None:
    with open_page(width=390, java_script_enabled=False) as page:
        page.goto(f"{studio.url}/jobs/{mended}/picture")
        undone = page.get_by_role("button", name="Redo")
        before = undone.count()
        page.fill("#where [name=x]", "100")
        page.fill("#where [name=y]", "120")
        page.get_by_role("button", name="Which frames are sharp there").click()
        page.wait_for_selector("label.crop")
        page.fill("[name=region]", "80,100,40,40")
        page.locator("[name=use][value=quiet]").check()
        page.get_by_role("button", name="Mend", exact=True).click()
        page.wait_for_selector(".mends:has-text('quiet')")
        page.get_by_role("button", name="Undo").last.click()
        undone.nth(before).wait_for()
        assert undone.count() == before + 1


def test_what_cannot_be_mended_is_said_and_the_region_stays(studio: Studio, page: Any, mended: int) -> None:
    page.told.expected.append("422")
    look(page, studio, mended)
    page.fill("[name=region]", "9000,9000,10,10")
    page.get_by_role("button", name="Mend", exact=True).click()
    page.wait_for_function(
        "() => document.getElementById('said').textContent.includes('no pixel of the picture')"
    )
    assert page.input_value("[name=region]") == "9000,9000,10,10"


def test_a_frame_that_cannot_be_shown_says_why_in_its_place(studio: Studio, page: Any, mended: int) -> None:
    page.told.expected.append("422")
    why = "F0002.jpg: found no such file; expected a readable file. Check the name and the folder."
    page.route("**/*:frame-2/**", lambda route: route.fulfill(status=422, json={"detail": why}))
    look(page, studio, mended)
    page.mouse.click(*point(page, *PLACE))
    told = page.wait_for_selector(f".crop :text('{why}')")
    assert told.inner_text().strip() == why


@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_with_crops_and_mends_is_fit_for_every_reader(
    studio: Studio, open_page: Any, mended: int, shots: Path, width: int
) -> None:
    scheme = "light" if width == WIDTHS[0] else "dark"
    with open_page(width=width, color_scheme=scheme, reduced_motion="reduce") as page:
        look(page, studio, mended)
        page.locator("#other").select_option("frame-8")
        page.wait_for_selector("#wipe:enabled")
        page.click("[data-do=outline]")
        draw(page, [(250, 200), (330, 150), (400, 220), (330, 300), (240, 260)])
        crops(page)
        assert violations(page) == []
        assert too_wide(page) <= 0
        assert overlapping(page, "main :is(button, a, input, select, h1, h2, img, label, legend)") == []
        page.screenshot(path=shots / f"mending-{width}-{scheme}.png", full_page=True)
