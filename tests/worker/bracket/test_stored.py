"""A plan as JSON and back."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from nearfar.bracket import Shoot, plan_bracket, read_plan
from nearfar.errors import UsageError

SHOOTS = [
    Shoot(
        focal=24, f_number=8, near=1000, far=math.inf, criterion="10um", pixels=(6000, 4000), sensor=(36, 24)
    ),
    Shoot(magnification=1, f_number=5.6, depth=12, criterion="20um"),
    Shoot(magnification=10, numerical_aperture=0.28, depth=0.1),
]


@pytest.mark.parametrize("shoot", SHOOTS, ids=["ring", "rail", "stage"])
def test_a_plan_comes_back_as_it_was(shoot: Shoot) -> None:
    plan = plan_bracket(shoot)
    text = json.dumps(plan.to_json(), allow_nan=False)
    assert read_plan(text) == plan
    stored = json.loads(text)
    assert stored["frames"] == len(stored["steps"]) == plan.frames
    assert stored["format"] == "nearfar-bracket/1"


def test_infinity_is_text() -> None:
    stored = plan_bracket(SHOOTS[0]).to_json()
    assert stored["asked"]["far"] == "inf"
    assert stored["steps"][-1]["far"] == "inf"


def _without(name: str) -> Any:
    stored = plan_bracket(SHOOTS[1]).to_json()
    del stored[name]
    return stored


def _changed(**change: object) -> Any:
    stored = plan_bracket(SHOOTS[1]).to_json()
    stored["asked"] |= change
    return stored


@pytest.mark.parametrize(
    ("stored", "words"),
    [
        ([], "not the plan"),
        ({"format": "nearfar-report/1"}, "not the plan"),
        (_without("steps"), "not complete"),
        (_without("asked"), "not complete"),
        (_changed(depth=24), "do not follow"),
        (_changed(colour="red"), "colour"),
        (_changed(depth="deep"), "wrong kind|depth"),
    ],
)
def test_what_is_no_plan_is_refused(stored: object, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_plan(json.dumps(stored))


def test_what_is_no_json_is_refused() -> None:
    with pytest.raises(UsageError, match="not readable as JSON.*nearfar plan --json"):
        read_plan("frames: 6")
