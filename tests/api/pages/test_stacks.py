"""Which figures of a frame count as far off those of its neighbours."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from nearfar_api.models import LeftModel
from nearfar_api.pages.drawing import left, metres, percent
from nearfar_api.pages.stacks import outliers


def off(values: Sequence[float | None], least: float = 0.0) -> list[int]:
    return [k for k, found in enumerate(outliers(values, least)) if found]


def test_a_steady_trend_has_no_outlier_up_to_its_ends() -> None:
    assert off([0.1 * k for k in range(12)], least=1e-9) == []


def test_one_value_beside_a_trend_is_found_wherever_it_is(rng: np.random.Generator) -> None:
    for place in range(12):
        values = [0.1 * k + float(rng.normal(0, 0.01)) for k in range(12)]
        values[place] += 3
        assert off(values, least=0.2) == [place]


def test_differences_that_nobody_sees_are_none() -> None:
    values: list[float | None] = [0.0] * 12
    values[5] = 0.04
    assert off(values, least=0.05) == []


def test_frames_without_a_figure_are_passed_over() -> None:
    values: list[float | None] = [0.0, None, 0.0, 0.0, 9.0, None, 0.0, 0.0]
    assert off(values, least=0.1) == [4]
    assert off([1.0, 5.0, 1.0]) == [], "three tell nothing"
    assert off([None, None]) == []


@pytest.mark.parametrize(
    ("least", "most", "said"),
    [
        (1, 3, "a few seconds"),
        (2, 11, "a few seconds to 10 s"),
        (44, 46, "about 45 s"),
        (100, 260, "2 min to 4 min"),
        (7000, 7300, "1 h 57 min to 2 h 2 min"),
    ],
)
def test_time_left_is_a_coarse_range(least: float, most: float, said: str) -> None:
    assert left(LeftModel(least=least, most=most)) == said


def test_small_shares_and_short_distances_keep_their_digits() -> None:
    assert [percent(v) for v in (0, 1e-4, 0.004, 0.0994, 0.12, 1)] == [
        "0 %",
        "below 0.1 %",
        "0.4 %",
        "9.9 %",
        "12 %",
        "100 %",
    ]
    assert [metres(v) for v in (0.0123, 0.1, 2.5)] == ["12.3 mm", "0.1 m", "2.5 m"]
