"""What was shot against what was planned."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nearfar import optics
from nearfar.bracket import Bracket, Shoot, plan_bracket
from nearfar.bracket.compare import Captured, compare, told


@pytest.fixture(scope="module")
def plan() -> Bracket:
    return plan_bracket(Shoot(focal=50, f_number=8, near=600, far=math.inf, criterion="20um"))


def shot(plan: Bracket, order: list[int]) -> list[Captured]:
    """Frames at the planned marks of those numbers, distances rounded to a centimetre as cameras write them."""
    found: list[Captured] = []
    for number in order:
        mark = plan.steps[number - 1].mark
        assert mark is not None
        found.append(Captured(name=f"F{len(found) + 1:04d}", distance=round(mark / 10) * 10.0))
    return found


def test_a_complete_bracket_misses_nothing_in_either_direction(plan: Bracket) -> None:
    numbers = list(range(1, plan.frames + 1))
    for order in (numbers, numbers[::-1]):
        found = compare(plan, shot(plan, order))
        assert found.by == "distance"
        assert found.complete
        assert found.extra == ()


@pytest.mark.parametrize("gone", [[1], [5], [5, 6], [9, 10, 11]])
def test_missed_steps_are_named(plan: Bracket, gone: list[int]) -> None:
    order = [n for n in range(1, plan.frames + 1) if n not in gone]
    found = compare(plan, shot(plan, order))
    assert list(found.missed) == gone
    assert not found.complete
    assert any("focus scale" in line for line in told(plan, found))


def test_every_set_of_missed_steps_is_found_from_distances_off_by_a_quarter_step(plan: Bracket) -> None:
    random = np.random.default_rng(4)
    for _ in range(50):
        gone = set(random.choice(plan.frames, 3, replace=False) + 1)
        frames = []
        for step in plan.steps:
            if step.number in gone:
                continue
            v = optics.image_distance(step.distance, 50) + plan.step * random.uniform(-0.2, 0.2)
            u = optics.object_distance(max(v, 50.0), 50)
            frames.append(Captured(name=str(step.number), distance=optics.from_sensor(u, 50)))
        found = compare(plan, frames)
        assert set(found.missed) == gone
        assert found.disordered == ()


def test_frames_out_of_order_are_named(plan: Bracket) -> None:
    order = list(range(1, plan.frames + 1))
    order.insert(2, order.pop(7))
    assert compare(plan, shot(plan, order)).disordered == ("F0003",)


def test_frames_beyond_the_plan_and_repeats_are_extra(plan: Bracket) -> None:
    frames = [*shot(plan, [*range(1, plan.frames + 1), 4, 4]), Captured(name="close", distance=250.0)]
    found = compare(plan, frames)
    assert set(found.extra) >= {"close"}
    assert len(found.extra) == 3
    assert found.missed == ()


def test_without_distances_frames_are_counted() -> None:
    plan = plan_bracket(Shoot(magnification=1, f_number=8, depth=3, criterion="30um"))
    frames = [Captured(name=str(k)) for k in range(plan.frames)]
    assert compare(plan, frames).complete
    fewer, more = compare(plan, frames[:-2]), compare(plan, [*frames, Captured(name="spare")])
    assert (fewer.by, fewer.short, fewer.complete) == ("number", 2, False)
    assert (more.extra, more.complete) == (("spare",), True)


def test_a_frame_without_a_distance_among_others_is_told(plan: Bracket) -> None:
    frames = shot(plan, list(range(1, plan.frames + 1)))
    frames[3] = Captured(name="F0004")
    found = compare(plan, frames)
    assert (found.unknown, found.missed) == (("F0004",), (4,))
    assert any("may stand for" in line for line in told(plan, found))


def test_nothing_shot_is_no_error(plan: Bracket) -> None:
    assert compare(plan, []).short == plan.frames


def test_a_comparison_is_json(plan: Bracket) -> None:
    stored = compare(plan, shot(plan, [1, 2, 4])).to_json()
    assert stored["complete"] is False
    assert 3 in stored["missed"]
