"""The pieces of evidence, one by one: each says what it should on the case that it is for, and little elsewhere.

Which weights are right is common practice and measurement on rendered cards (tests/bench/sorting.py); no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from nearfar.frames.camera import CameraData
from nearfar.frames.glance import Glance
from nearfar.intake.card import evidence
from nearfar.intake.card.evidence import Evidence, Rhythm, added, of_rhythm
from nearfar.intake.card.exposures import Exposure
from nearfar.intake.card.likeness import Likeness, compare, panned, soft
from nearfar.intake.card.ordering import place_of
from nearfar.intake.card.previews import Look, look_of
from nearfar.intake.card.refocusing import of_focus
from nearfar.intake.card.sharpness import patterns, sweep, traded
from tests.scenes.card_views import Place, Shot, make_place

SIZE = (300, 200)


@pytest.fixture(scope="module")
def place() -> Place:
    return make_place(np.random.default_rng(5), "table", SIZE)


def look(place: Place, **shot: object) -> Look:
    return look_of(place.frame(Shot(**shot)), "decoded 300")  # type: ignore[arg-type]


def test_another_focus_is_the_same_view(place: Place) -> None:
    one, other = look(place, focus=0.1, seed=1), look(place, focus=0.5, seed=2)
    found = compare(soft(one), soft(other), (one.colour, other.colour))
    assert found.same > 0.9
    assert found.moved < 0.01
    assert abs(found.gain_ev) < 0.1


@pytest.mark.parametrize("ev", [-1.5, -0.5, 0.5])
def test_brightness_is_told_in_ev(place: Place, ev: float) -> None:
    one, other = look(place, seed=1), look(place, ev=ev, seed=2)
    found = compare(soft(one), soft(other), (one.colour, other.colour))
    assert found.gain_ev == pytest.approx(ev, abs=0.25)
    assert found.same > 0.9


@pytest.mark.parametrize(("same", "weight"), [(0.97, 0.0), (0.8, -1.0)])
def test_a_turned_camera_separates_only_where_the_view_turned_with_it(same: float, weight: float) -> None:
    one, other = (_exposure(orientation=tag) for tag in (1, 6))
    likeness = Likeness(
        same=same, shift=0.0, recognised=1.0, moved=0.0, structured=1.0, changed=0.0, gain_ev=0.0
    )
    assert evidence.of_settings(one, other, likeness).weight == weight


def _exposure(**changes: Any) -> Exposure:
    usual: dict[str, Any] = {"kind": "jpeg", "width": 300, "height": 200, "orientation": 1}
    found = Glance(camera=CameraData(), **(usual | changes))
    path = Path("A.JPG")
    return Exposure(
        path=path,
        shown_by=path,
        key="k",
        found=found,
        place=place_of(path),
        body="b",
        seconds=0.0,
        resolution=1.0,
        sizes=frozenset({(found.width, found.height)}),
    )


def test_a_shift_is_found_as_phase_correlation_finds_it(place: Place) -> None:
    """Outside reference: skimage.registration.phase_cross_correlation, to one pixel of the small picture."""
    one, other = look(place, seed=1), look(place, shift=(14.0, 0.0), seed=2)
    found = compare(soft(one), soft(other), (one.colour, other.colour))
    (_, x), _, _ = phase_cross_correlation(soft(one), soft(other), normalization=None)  # type: ignore[no-untyped-call]
    assert found.shift == pytest.approx(abs(float(x)) / 128, abs=1 / 128)
    assert found.shift == pytest.approx(14 / 300, abs=1 / 128)


def test_another_place_is_another_view(place: Place) -> None:
    one, other = look(place, seed=1), look(make_place(np.random.default_rng(6), "macro", SIZE), seed=2)
    assert compare(soft(one), soft(other), (one.colour, other.colour)).same < 0.6


def test_an_animal_that_ran_is_motion(place: Place) -> None:
    one, other = look(place, runner=0.3, seed=1), look(place, runner=0.6, seed=2)
    found = compare(soft(one), soft(other), (one.colour, other.colour))
    assert found.changed > 12
    assert evidence.of_motion(found).weight < 0.2


def test_a_view_that_goes_on_beside_is_panned() -> None:
    wide = make_place(np.random.default_rng(8), "view", SIZE, wide=2.5)
    one, other = (soft(look(wide, shift=(x, 0.0), seed=k)) for k, x in enumerate((-105.0, 105.0)))
    share = panned(one, other)
    assert share is not None
    assert share == pytest.approx(0.7, abs=0.05)


@pytest.mark.parametrize(
    ("pause", "before", "after", "low", "high"),
    [
        (1.0, (1.0, 1.0, 1.0), (1.0, 1.0, 1.0), 0.4, 1.0),
        (60.0, (1.0, 1.0, 1.0), (1.0, 1.0, 1.0), -5.0, -3.0),
        (60.0, (50.0, 70.0, 40.0), (30.0, 80.0), -0.2, 1.0),
        (5.0, (0.1, 0.1, 0.1), (0.1, 0.1, 0.1), -5.0, -2.0),
        (15.0, (15.0, 14.0, 16.0), (0.1, 0.1, 0.1), -5.0, -2.0),
        (None, (1.0,), (1.0,), 0.0, 0.0),
        (5.0, (), (), 0.0, 0.0),
    ],
)
def test_a_pause_counts_beside_its_neighbours(
    pause: float | None, before: tuple[float, ...], after: tuple[float, ...], low: float, high: float
) -> None:
    found = of_rhythm(Rhythm(pause=pause, before=before, after=after, slack=0.5))
    assert low <= found.weight <= high


def test_evidence_adds_up_and_the_winning_side_gives_the_reasons() -> None:
    link = added(
        Evidence(weight=3.0, words="alike"),
        Evidence(weight=-1.0, words="late"),
        Evidence(weight=-6.0, words="held"),
    )
    assert not link.together
    assert link.reasons == ("held", "late")
    assert link.confidence == pytest.approx(1 / (1 + np.exp(-3.5)))


def looks_of(place: Place, focus: np.ndarray, **shot: object) -> list[Look]:
    return [look(place, focus=float(f), seed=k, **shot) for k, f in enumerate(focus)]


def test_a_sweep_of_focus_grows_with_distance_and_trades_sharpness(place: Place) -> None:
    found = patterns(looks_of(place, np.linspace(0, 1, 9)))
    told = sweep(found.apart)
    assert told.growth > 4
    assert told.order > 0.3
    assert traded(found.logs) > 0.3


def test_repeats_do_neither(place: Place) -> None:
    found = patterns(looks_of(place, np.full(9, 0.4)))
    told = sweep(found.apart)
    assert told.growth < 3
    assert told.amplitude < 0.15
    assert traded(found.logs) < 0.1


def test_shake_takes_sharpness_everywhere(place: Place) -> None:
    looks = [look(place, focus=0.4, shake=s, seed=k) for k, s in enumerate((0.0, 6.0, 1.0, 8.0, 0.0, 5.0))]
    assert traded(patterns(looks).logs) < 0.15


def test_a_second_sweep_begins_where_the_first_ended_and_nowhere_else(place: Place) -> None:
    focus = np.linspace(0, 1, 8)
    apart = patterns(looks_of(place, np.concatenate([focus, focus]))).apart
    weights = [of_focus(apart, 0, p).weight for p in range(8)]
    assert weights[7] <= -4
    assert min(weights[:7]) > -1.5


def test_a_way_back_is_told_from_a_way_on(place: Place) -> None:
    focus = np.linspace(0, 1, 8)
    apart = patterns(looks_of(place, np.concatenate([focus, focus[::-1]]))).apart
    assert of_focus(apart, 0, 7).weight < -1


def test_a_flat_picture_is_no_error() -> None:
    grey = look_of(np.full((60, 90, 3), 128, np.uint8), "decoded 90")
    found = compare(soft(grey), soft(grey), (grey.colour, grey.colour))
    assert found.same == 0
    assert np.isfinite(patterns([grey, grey, grey]).apart).all()


def test_a_look_is_the_same_whatever_the_size_of_the_file(place: Place) -> None:
    pixels = place.frame(Shot(seed=1))
    large = cv2.resize(pixels, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    one, other = look_of(pixels, "a"), look_of(np.asarray(large, np.uint8), "b")
    assert np.abs(one.small.astype(int) - other.small.astype(int)).mean() < 2
