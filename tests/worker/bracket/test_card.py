"""The field card: one page that stands alone."""

from __future__ import annotations

import math
from html.parser import HTMLParser

import pytest

from nearfar.bracket import Shoot, plan_bracket
from nearfar.bracket.card import card

SHOOTS = [
    Shoot(focal=24, f_number=8, near=1000, far=math.inf, criterion="10um"),
    Shoot(magnification=1, f_number=5.6, depth=12, criterion="20um", exposure=1, pixels=(6000, 4000)),
    Shoot(magnification=10, numerical_aperture=0.28, depth=0.1),
]
VOID = {"meta", "input", "link", "br", "img"}


class Page(HTMLParser):
    """Checks that every element is closed in order; collects tags and attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def read(text: str) -> Page:
    page = Page()
    page.feed(text)
    page.close()
    assert page.open == []
    return page


@pytest.mark.parametrize("shoot", SHOOTS, ids=["ring", "rail", "stage"])
def test_a_card_has_a_box_to_tick_for_every_frame(shoot: Shoot) -> None:
    plan = plan_bracket(shoot)
    page = read(card(plan))
    boxes = [a for tag, a in page.tags if tag == "input"]
    assert [a["aria-label"] for a in boxes] == [f"frame {k} done" for k in range(1, plan.frames + 1)]


def test_a_card_fetches_nothing_and_runs_nothing() -> None:
    text = card(plan_bracket(SHOOTS[0]))
    page = read(text)
    assert not {tag for tag, _ in page.tags} & {"script", "link", "img", "iframe"}
    assert not {name for _, a in page.tags for name in a} & {"src", "href", "onclick"}
    assert "url(" not in text
    assert "@import" not in text


def test_a_card_suits_a_phone_and_a_printer() -> None:
    text = card(plan_bracket(SHOOTS[0]))
    assert ("meta", {"name": "viewport", "content": "width=device-width, initial-scale=1"}) in read(text).tags
    assert "@media print" in text


def test_a_card_warns_and_leaves_the_last_word_to_local_rules() -> None:
    text = read(card(plan_bracket(SHOOTS[2]))).text
    for word in ("sun", "lasers", "rail", "live subject", "Local rules"):
        assert word in text


def test_a_title_is_text_whatever_it_holds() -> None:
    page = read(card(plan_bracket(SHOOTS[1]), title='<script>alert("x")</script>'))
    assert "script" not in {tag for tag, _ in page.tags}


def test_a_card_fits_a_phone() -> None:
    """At most four columns, of which one is a box to tick."""
    for shoot in SHOOTS:
        heads = [
            tag
            for tag, _ in read(
                card(plan_bracket(shoot)).split('<div class="two">')[0] + "</main></body></html>"
            ).tags
        ]
        assert heads.count("th") <= 4
