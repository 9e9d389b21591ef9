"""Which figures of a frame count as far off those of its neighbours, and how a stack's figures are drawn."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree

import numpy as np
import pytest

from nearfar_api.models.answers import LeftModel
from nearfar_api.pages.drawing import left, metres, percent, with_links
from nearfar_api.pages.stack_plot import HIGH, WIDTH, plot
from nearfar_api.pages.stacks import Kind, Row, Series, outliers


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


def test_jobs_that_a_reason_names_are_links_and_the_rest_is_only_text() -> None:
    assert with_links("2 came; job 12 has <b>, jobs 3 too", "/far") == (
        '2 came; <a href="/far/jobs/12">job 12</a> has &lt;b&gt;, jobs 3 too'
    )
    assert with_links("job 1", "") == '<a href="/jobs/1">job 1</a>'


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


def drawn(
    values: Sequence[float | None], least: float = 0.05, names: Sequence[str] = ()
) -> ElementTree.Element:
    kind = Kind(key="gain", title="Exposure", unit="EV", digits=2, least=least)
    rows = [
        Row(
            number=k,
            name=name,
            state="used",
            why=None,
            small=True,
            share=0.1,
            after=None,
            distance=None,
            figures={},
        )
        for k, name in enumerate(names or [f"moss{k}.jpg" for k in range(1, len(values) + 1)], 1)
    ]
    series = Series(kind=kind, values=tuple(values), outliers=outliers(values, least))
    return ElementTree.fromstring(plot(series, rows, target="leave", out=["moss2.jpg"]))


def test_every_frame_is_a_link_in_its_plot_and_marked_where_it_is_far_off_or_out() -> None:
    found = drawn([0.1, 0.1, 0.1, None, 0.9, 0.1, 0.1, 0.1])
    links = found.findall("a")
    assert [link.get("href") for link in links] == [f"#leave-{k}" for k in range(1, 9)]
    assert [link.findtext("title") for link in links][3:5] == [
        "moss4.jpg, frame 4: nothing",
        "moss5.jpg, frame 5: 0.90 EV, far off",
    ]
    assert [link.get("class") for link in links[:5]] == ["frame", "frame out", "frame", "frame", "frame off"]
    assert [len(link.findall("circle")) for link in links[2:5]] == [1, 0, 1]
    assert found.get("aria-label") == "Exposure of each frame, from 0.10 EV to 0.90 EV"
    runs = [path.get("d") or "" for path in found.findall("path") if path.get("class") == "run"]
    assert runs[0].count("M") == 2, "broken where nothing is known"


def test_larger_values_lie_higher_and_later_frames_further_right_within_the_drawing() -> None:
    circles = [link.find("circle") for link in drawn([0.0, 1.0, 2.0, 7.0]).findall("a")]
    places = [(float(c.get("cx", "")), float(c.get("cy", ""))) for c in circles if c is not None]
    assert places == sorted(places)
    assert [y for _, y in places] == sorted((y for _, y in places), reverse=True)
    steps = np.diff([y for _, y in places])
    assert steps / steps[0] == pytest.approx([1, 1, 5], abs=0.05)
    assert all(0 < x < WIDTH and 0 < y < HIGH for x, y in places)


def test_values_that_are_all_alike_lie_in_the_middle_and_names_are_only_text() -> None:
    found = drawn([0.5, 0.5], names=["<b>&.jpg", 'a"b.jpg'])
    assert {float(c.get("cy", "")) for c in found.iter("circle")} == {80.0}
    assert [t.text for t in found.iter("title")] == [
        "<b>&.jpg, frame 1: 0.50 EV",
        'a"b.jpg, frame 2: 0.50 EV',
    ]


@pytest.mark.parametrize("count", [2, 40, 400])
def test_numbers_below_a_plot_do_not_run_into_each_other(count: int) -> None:
    marks = [t for t in drawn([0.0, 1.0] * (count // 2)).findall("text") if t.get("text-anchor") == "middle"]
    places = [float(t.get("x", "")) for t in marks]
    assert len(marks) >= 2
    assert min(np.diff(places)) > 20
