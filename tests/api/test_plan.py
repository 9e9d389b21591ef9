"""Brackets planned over HTTP."""

from __future__ import annotations

import re
from typing import Any

import pytest

from nearfar.bracket import Bracket
from tests.api.conftest import Client

RAIL = {"sensor": [36, 24], "magnification": 1, "f_number": 5.6, "depth": 12, "criterion": "20um"}


def test_a_rail_is_planned_as_by_hand(client: Client) -> None:
    # Depth of one frame 2 N c (m + 1) / m2 (Lefkowitz 1979, from memory): 0.448 mm; 30 % overlap leaves 0.314 mm a step.
    answer = client.post("/api/v1/plan", json=RAIL)
    assert answer.status_code == 200
    plan = answer.json()
    assert plan["frames"] == 40
    assert Bracket.from_json(plan).frames == 40


def test_infinity_has_a_name(client: Client) -> None:
    ask = {"sensor": [36, 24], "focal": 24, "f_number": 8, "near": 1000, "far": "inf"}
    plan = client.post("/api/v1/plan", json=ask).json()
    assert plan["asked"]["far"] == "inf"
    assert 2 <= plan["frames"] <= 10


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"depth": None}, "depth"),
        ({"depth": -1}, "/depth"),
        ({"criterion": "sharp"}, "sharp"),
        ({"colour": 1}, "/colour"),
        ({"depth": 1e9}, "frames"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_words(
    client: Client, change: dict[str, Any], named: str
) -> None:
    answer = client.post("/api/v1/plan", json={k: v for k, v in (RAIL | change).items() if v is not None})
    assert answer.status_code == 422
    assert named in answer.json()["detail"]


def test_the_card_is_one_page_that_its_policy_lets_show_itself(client: Client) -> None:
    answer = client.post("/api/v1/plan/card", json=RAIL | {"title": "Moss <on> slate"})
    assert answer.headers["content-type"].startswith("text/html")
    assert "Moss &lt;on&gt; slate" in answer.text
    assert "<script" not in answer.text
    assert re.search(r"style-src 'sha256-[\w+/=]+'", answer.headers["content-security-policy"])
    assert "rail" in answer.text.casefold()
