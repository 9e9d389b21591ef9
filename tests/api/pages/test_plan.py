"""The page of a plan without a browser: what was shot by jobs and cards, drawn and told; figures that lead nowhere."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from urllib.parse import urlencode

import pytest

from nearfar.bracket import plan_bracket
from nearfar.bracket.written import shoot_of
from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import Kept, card_files
from nearfar.intake.card.sorted_card import SortedCard, SortedStack
from nearfar.jobs import Store
from nearfar.places import Places
from nearfar_api.pages.plan_plot import MOST, plot
from tests.api.conftest import Client
from tests.api.making import submit
from tests.api.pages.test_forms import press
from tests.api.routes.test_plan import shot

ASKED = {"sensor": "full-frame", "focal": "100mm", "f_number": "f/8", "near": "50cm", "far": "70cm"}
RING = plan_bracket(shoot_of(ASKED))
MARKS = [step.mark or 0.0 for step in RING.steps]


def page_of(client: Client, **query: str) -> str:
    answer = client.get(f"/plan?{urlencode(ASKED | query)}")
    assert answer.status_code == 200, answer.text
    return answer.text


def test_a_job_against_the_plan_has_its_missed_steps_in_words_and_in_the_drawing(
    client: Client, store: Store, tmp_path: Path
) -> None:
    job = submit(store, frames=shot(tmp_path, [m for k, m in enumerate(MARKS) if k not in (3, 4)]))
    page = page_of(client, against=f"job-{job}")
    assert "Frame 4 was missed" in page
    assert page.count('class="dof missed"') == 2 * 2  # for wide windows and for narrow ones
    wide = page.partition("narrow-plot")[0]
    ticks = re.search(r'class="shot" d="([^"]*)"', wide)
    assert ticks is not None
    placed = [float(x) for x in re.findall(r"M([\d.]+) ", ticks[1])]
    strokes = [float(x) for x in re.findall(r'class="at" d="M([\d.]+) ', wide)]
    assert placed == pytest.approx(strokes, abs=1.5)  # distances are rounded to mm in the frames
    assert f'action="/jobs/{job}/plan"' in page


def test_the_plan_of_the_form_is_attached_to_a_job(client: Client, store: Store, tmp_path: Path) -> None:
    job = submit(store, frames=shot(tmp_path, MARKS))
    answer = press(client, f"/jobs/{job}/plan", None, **ASKED)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/jobs/{job}#plan")
    kept = client.get(f"/api/v1/jobs/{job}/plan").json()
    assert (kept["plan"]["frames"], kept["complete"]) == (RING.frames, True)


def test_a_stack_of_a_card_is_compared_before_it_is_a_job(
    client: Client, places: Places, tmp_path: Path
) -> None:
    frames = tuple(Path(entry.path) for entry in shot(tmp_path, MARKS))
    stack = SortedStack(name="stack-001", frames=frames, confidence=1, state="ask", why="w")
    card = card_id(str(tmp_path))
    found = SortedCard(stacks=(stack,), left_out=(), order=frames)
    card_files(places).write(card, Kept(path=str(tmp_path), files={}, card=found, small={}))
    page = page_of(client, against=f"card-{card}-stack-001")
    assert f"{RING.frames} frames were planned, {RING.frames} were shot" in page
    assert "Nothing is missing" in page
    assert "Keep this plan with job" not in page


@pytest.mark.parametrize("against", ["job-99", "card-0123456789abcdef-stack-001", "card-x"])
def test_what_was_shot_and_is_gone_is_said_to_be(client: Client, against: str) -> None:
    answer = client.get(f"/plan?{urlencode(ASKED | {'against': against})}")
    assert answer.status_code == 422
    assert "cannot be compared" in answer.text


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ({"near": "12"}, "“Nearest point” &#39;12&#39;: the unit is missing"),
        ({"near": "80cm"}, "is not nearer than “Farthest point”"),
        ({"f_number": ""}, "“Aperture” missing"),
        ({"overlap": "100%"}, "“Overlap”"),
        ({"way": "stage", "objective": "10"}, "“Objective”"),
        ({"focal": "0mm"}, "“Focal length”"),
        ({"ends": "<b>"}, "Ends is &#39;&lt;b&gt;&#39;"),
    ],
)
def test_what_cannot_be_planned_is_said_in_the_words_of_the_form(
    client: Client, query: dict[str, str], named: str
) -> None:
    answer = client.get(f"/plan?{urlencode(ASKED | query)}")
    assert answer.status_code == 422
    assert named in answer.text
    assert "--" not in re.sub(r"<[^>]*>", "", answer.text.partition("<main")[2])


def test_very_long_plans_are_drawn_in_part_and_ends_are_kept() -> None:
    long = plan_bracket(shoot_of({"objective": "50/0.8", "depth": "1mm"}))
    drawing = str(plot(long, 960))
    assert long.frames > 500
    assert drawing.count('class="dof"') <= MOST + 1
    assert f">{long.frames}</text>" in drawing


@pytest.mark.parametrize("far", ["51cm", "inf", "3m", "2000m"])
@pytest.mark.parametrize("width", [358, 960])
def test_marks_of_the_scale_keep_apart_and_stand_where_they_say(width: int, far: str) -> None:
    plan = plan_bracket(shoot_of(ASKED | {"far": far, "focal": "50mm"}))
    drawing = str(plot(plan, width))
    texts = re.findall(r'<text x="([\d.]+)" y="[\d.]+" text-anchor="middle">([^<]*)</text>', drawing)
    places = [float(x) for x, _ in texts]
    assert len(places) >= 2
    assert all(b - a >= 40 for a, b in pairwise(places))
    assert all(0 < x < width for x in places)


def test_a_plan_with_a_title_is_a_card_with_that_title(client: Client) -> None:
    answer = client.get(f"/plan/card?{urlencode(ASKED | {'title': 'Moss <on> slate'})}")
    assert answer.status_code == 200
    assert "Moss &lt;on&gt; slate" in answer.text
    assert "style-src 'sha256-" in answer.headers["content-security-policy"]
    assert client.get("/plan/card?near=12").status_code == 422
