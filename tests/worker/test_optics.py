"""Formulae against published tables. Where a table rounds, the tolerance is half of its last figure, said beside it.

The tables were copied from their sources by hand; formulae whose source is marked 'from memory' in optics.py are
checked here through these tables, not through the book.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from nearfar import optics
from nearfar.errors import UsageError

FOOT = 304.8  # mm, by definition (international yard and pound agreement of 1959)

# Hyperfocal chart on naturelyrics.com, c = 0.02 mm, exact stops; feet to two decimals.
CHART = [
    pytest.param(11, 4, 5.00, id="11 mm f/4"),
    pytest.param(11, 5, 3.54, id="11 mm f/5.6"),
    pytest.param(11, 6, 2.52, id="11 mm f/8"),
    pytest.param(11, 7, 1.79, id="11 mm f/11"),
    pytest.param(12, 4, 5.94, id="12 mm f/4"),
    pytest.param(12, 7, 2.13, id="12 mm f/11"),
    pytest.param(12, 9, 1.08, id="12 mm f/22"),
    pytest.param(14, 4, 8.08, id="14 mm f/4"),
]


@pytest.mark.parametrize(("f", "stops", "feet"), CHART)
def test_hyperfocal_distance_agrees_with_a_published_chart(f: float, stops: int, feet: float) -> None:
    computed = optics.hyperfocal(f, optics.exact_f_number(stops), 0.02) / FOOT
    assert computed == pytest.approx(feet, abs=0.006)


def test_the_rounded_f_number_makes_the_hyperfocal_distance_nearly_three_percent_longer() -> None:
    exact = optics.hyperfocal(11, optics.exact_f_number(7), 0.02)
    assert optics.hyperfocal(11, 11, 0.02) / exact == pytest.approx(1.028, abs=0.001)


@pytest.mark.parametrize(
    ("stops", "parts", "engraved", "tolerance"),
    # ISO 517 engravings of whole stops and thirds, from memory: they round to two figures.
    [(0, 1, 1.0, 0), (1, 1, 1.4, 0.02), (4, 1, 4.0, 0), (6, 1, 8.0, 0), (8, 1, 16, 0), (19, 3, 9.0, 0.03)],
)
def test_exact_f_numbers_lie_near_the_engraved_ones(
    stops: int, parts: int, engraved: float, tolerance: float
) -> None:
    assert optics.exact_f_number(stops, parts) == pytest.approx(engraved, rel=tolerance + 1e-12)


def test_limits_agree_with_a_published_chart_at_two_feet() -> None:
    # The same chart: 12 mm f/8 focused at 2 ft, feet to two decimals.
    assert optics.near_limit(2 * FOOT, 12, 8, 0.02) / FOOT == pytest.approx(1.20, abs=0.006)
    assert optics.far_limit(2 * FOOT, 12, 8, 0.02) / FOOT == pytest.approx(5.95, abs=0.006)


def test_limits_agree_with_a_lens_makers_manual() -> None:
    # Leica MP manual, p. 85: 50 mm at 5 m, c = 1/30 mm, metres to one decimal (2.43 is printed as 2.5).
    c = 1 / 30
    assert optics.near_limit(5000, 50, 1.4, c) / 1000 == pytest.approx(4.6, abs=0.06)
    assert optics.far_limit(5000, 50, 1.4, c) / 1000 == pytest.approx(5.5, abs=0.06)
    assert optics.near_limit(5000, 50, 16, c) / 1000 == pytest.approx(2.5, abs=0.1)
    assert optics.far_limit(5000, 50, 16, c) == math.inf


@given(st.floats(8, 600), st.floats(1, 32), st.floats(0.002, 0.05))
def test_focused_at_the_hyperfocal_distance_sharpness_runs_from_half_of_it_to_infinity(
    f: float, n: float, c: float
) -> None:
    h = optics.hyperfocal(f, n, c)
    assert optics.near_limit(h, f, n, c) == pytest.approx(h / 2)
    assert optics.far_limit(h, f, n, c) == math.inf


@given(st.floats(10, 200), st.floats(1.4, 22), st.floats(2, 100))
def test_limits_blur_a_point_to_exactly_the_circle_of_confusion(f: float, n: float, times: float) -> None:
    """By similar triangles: aperture f / N, image plane at v, a point imaged at w blurs to (f / N) |w - v| / w."""
    s, c = f * times, 0.02
    v = optics.image_distance(s, f)
    for limit in (optics.near_limit(s, f, n, c), optics.far_limit(s, f, n, c)):
        w = optics.image_distance(limit, f)
        assert (f / n) * abs(w - v) / w <= c * (1 + 1e-6)
        if limit < math.inf:
            assert (f / n) * abs(w - v) / w == pytest.approx(c, rel=1e-5)


@pytest.mark.parametrize(
    ("m", "n", "c", "depth", "tolerance"),
    [
        # Canon MP-E 65 mm manual, millimetres; c = 0.035 mm fits its table; the last entry is 2 % off.
        pytest.param(1, 16, 0.035, 2.240, 0.0005, id="maker's manual, 1x f/16"),
        pytest.param(5, 2.8, 0.035, 0.048, 0.0011, id="maker's manual, 5x f/2.8"),
        # Savazzi 2011, table 1, two figures; c = 0.019 mm fits.
        pytest.param(0.1, 1, 0.019, 4.2, 0.05, id="table 1, 0.1x f/1"),
        pytest.param(0.5, 2.8, 0.019, 0.64, 0.005, id="table 1, 0.5x f/2.8"),
        pytest.param(1, 2.8, 0.019, 0.21, 0.005, id="table 1, 1x f/2.8"),
        pytest.param(5, 4, 0.019, 0.036, 0.0006, id="table 1, 5x f/4"),
        pytest.param(10, 2, 0.019, 0.0084, 0.00006, id="table 1, 10x f/2"),
    ],
)
def test_macro_depth_agrees_with_published_tables(
    m: float, n: float, c: float, depth: float, tolerance: float
) -> None:
    assert optics.macro_depth(m, n, c) == pytest.approx(depth, abs=tolerance)


@pytest.mark.parametrize(("m", "n", "effective"), [(1, 2.8, 5.6), (5, 4, 24), (10, 2, 22)])
def test_effective_f_number_agrees_with_a_published_table(m: float, n: float, effective: float) -> None:
    # Savazzi 2011, table 1.
    assert optics.effective_f_number(n, m) == pytest.approx(effective)


def test_macro_depth_meets_the_limits_of_the_far_formulae_where_both_hold() -> None:
    """At 1:20 the depth is small and the distance moderate: near and far limits must give the same total."""
    f, n, c, m = 60.0, 4.0, 0.02, 1 / 20
    s = f * (1 + 1 / m)
    total = optics.far_limit(s, f, n, c) - optics.near_limit(s, f, n, c)
    assert optics.macro_depth(m, n, c) == pytest.approx(total, rel=0.01)


def test_a_pupil_ratio_of_one_changes_nothing_and_a_smaller_one_darkens() -> None:
    assert optics.macro_depth(2, 8, 0.02, pupil_ratio=1) == optics.macro_depth(2, 8, 0.02)
    assert optics.effective_f_number(4, 1, pupil_ratio=0.5) == pytest.approx(12)


def test_airy_diameter_agrees_with_handbooks_and_with_the_zero_of_the_bessel_function() -> None:
    # Handbook figure: green light at f/11.2 gives 15.0 µm.
    assert optics.airy_diameter_um(11.2) == pytest.approx(15.0, abs=0.05)
    # SciPy's first zero of J1: the factor 2.44 is 2 * 3.8317 / pi rounded.
    assert optics.airy_diameter_um(1, 1) == pytest.approx(2 * jn_zeros(1, 1)[0] / math.pi, rel=5e-4)


def test_circle_of_confusion_follows_both_conventions() -> None:
    # 36 x 24 mm has a diagonal of 43.27 mm; 0.043 and 0.029 mm are the usual figures (common practice, no source).
    assert optics.circle_of_confusion(36, 24, "traditional") == pytest.approx(0.0433, abs=5e-5)
    assert optics.circle_of_confusion(36, 24) == pytest.approx(0.0288, abs=5e-5)


@pytest.mark.parametrize(
    ("na", "magnification", "index", "depth", "tolerance"),
    # Nikon Eclipse E200 manual, p. 77, µm to one decimal.
    [
        pytest.param(0.10, 40, 1.0, 63.2, 0.06, id="x40"),
        pytest.param(0.25, 100, 1.0, 10.1, 0.06, id="x100"),
        pytest.param(0.65, 400, 1.0, 1.2, 0.06, id="x400"),
        pytest.param(1.25, 1000, 1.515, 0.4, 0.06, id="x1000 oil"),
    ],
)
def test_visual_depth_agrees_with_a_microscopes_manual(
    na: float, magnification: float, index: float, depth: float, tolerance: float
) -> None:
    computed = optics.microscope_depth_um(na, "visual", magnification=magnification, index=index)
    assert computed == pytest.approx(depth, abs=tolerance)


def test_wave_depth_agrees_with_a_makers_table_of_objectives() -> None:
    # 1x, NA 0.03: 306 µm, in whole µm.
    assert optics.microscope_depth_um(0.03, "wave") == pytest.approx(306, abs=0.6)


@pytest.mark.parametrize(
    ("na", "step"), [(0.10, 55), (0.14, 28.1), (0.25, 8.8), (0.28, 7.02), (0.40, 3.44), (0.55, 1.82)]
)
def test_step_depth_agrees_with_a_published_table_of_steps(na: float, step: float) -> None:
    # Three figures.
    assert optics.microscope_depth_um(na, "step") == pytest.approx(step, rel=0.002)


def test_number_of_frames_of_three_worked_examples() -> None:
    """Computed by hand from the formula; no published twin."""
    span = optics.image_distance(1000, 24) - optics.image_distance(math.inf, 24)
    assert optics.frames_for(span, 2 * 8 * 0.010, 0.30) == 6
    depth = optics.macro_depth(1, 5.6, 0.02)
    assert depth * 0.7 == pytest.approx(0.314, abs=5e-4)
    assert optics.frames_for(12, depth, 0.30, both_ends=True) == 40
    step = optics.microscope_depth_um(0.28, "step") * 0.7
    assert step == pytest.approx(4.9, abs=0.05)
    assert optics.frames_for(500, optics.microscope_depth_um(0.28, "step"), 0.30, both_ends=True) == 103


def test_a_whole_number_of_steps_is_not_rounded_up_by_floating_point() -> None:
    assert optics.frames_for(0.6, 0.1, 0) == 6
    assert optics.frames_for(0.7, 0.1, 0) == 7


@given(st.floats(5, 300), st.floats(1.01, 1000))
def test_image_and_object_distance_undo_each_other(f: float, times: float) -> None:
    u = f * times
    v = optics.image_distance(u, f)
    assert 1 / f == pytest.approx(1 / u + 1 / v)  # the thin lens equation
    assert optics.object_distance(v, f) == pytest.approx(u, rel=1e-6)


def test_infinity_is_sharp_at_the_focal_length() -> None:
    assert optics.image_distance(math.inf, 50) == 50
    assert optics.object_distance(50, 50) == math.inf


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: optics.hyperfocal(0, 8, 0.02), "f is 0"),
        (lambda: optics.hyperfocal(50, math.nan, 0.02), "N is nan"),
        (lambda: optics.near_limit(40, 50, 8, 0.02), "within the focal length"),
        (lambda: optics.object_distance(40, 50), "within the focal length"),
        (lambda: optics.macro_depth(-1, 8, 0.02), "m is -1"),
        (lambda: optics.effective_f_number(4, -0.1), "m is -0.1"),
        (lambda: optics.microscope_depth_um(1.25, "step"), "less than the refractive index"),
        (lambda: optics.microscope_depth_um(0.5, "visual"), "needs the magnification"),
        (lambda: optics.microscope_depth_um(0.5, "other"), "'visual', 'wave' or 'step'"),  # type: ignore[arg-type]
        (lambda: optics.frames_for(1, 1, 1), "overlap is 1"),
        (lambda: optics.exact_f_number(3, 0), "parts is 0"),
    ],
)
def test_values_that_make_no_sense_are_refused_by_name(call: object, words: str) -> None:
    assert callable(call)
    with pytest.raises(UsageError, match=words):
        call()


@given(st.floats(8, 600), st.floats(1, 32), st.floats(0.002, 0.05), st.floats(1.1, 1000))
def test_image_side_limits_are_the_images_of_the_distance_limits(
    f: float, n: float, c: float, times: float
) -> None:
    s = f * times
    back, front = optics.sharp_images(optics.image_distance(s, f), f, n, c)
    assert front == pytest.approx(optics.image_distance(optics.near_limit(s, f, n, c), f), rel=1e-6)
    far = optics.far_limit(s, f, n, c)
    if far < math.inf:
        assert back == pytest.approx(optics.image_distance(far, f), rel=1e-6)
    elif s > 1.0001 * optics.hyperfocal(f, n, c):
        assert back < f


@given(st.floats(0.05, 5), st.floats(0.5, 2), st.floats(1.4, 16))
def test_depth_behind_the_lens_is_that_of_the_effective_f_number(m: float, p: float, n: float) -> None:
    """2 N c (1 + m / p) behind the lens over m² is the macro formula, where depth is small."""
    f, c = 60.0, 0.005
    back, front = optics.sharp_images(f * (1 + m), f, n, c, p)
    assert (front - back) / m**2 == pytest.approx(optics.macro_depth(m, n, c, p), rel=0.001)


@given(st.floats(8, 600), st.floats(2.001, 1000))
def test_distances_from_the_sensor_and_from_the_lens_undo_each_other(f: float, times: float) -> None:
    u = f * times
    assert optics.to_lens(optics.from_sensor(u, f), f) == pytest.approx(u, rel=1e-6)


def test_life_size_lies_four_focal_lengths_from_the_sensor() -> None:
    # Thin lens at 1:1: u = v = 2 f, a textbook case.
    assert optics.from_sensor(200, 100) == pytest.approx(400)
    assert optics.from_sensor(math.inf, 100) == math.inf
    assert optics.to_lens(math.inf, 100) == math.inf
    with pytest.raises(UsageError, match="less than four focal lengths"):
        optics.to_lens(399, 100)


@pytest.mark.parametrize("spread", [0.1, 1.0, 4.0])
def test_best_f_number_for_a_focus_spread_agrees_with_a_published_rule(spread: float) -> None:
    # Hansma, Photo Techniques, March 1996: N = 20 sqrt(spread in mm), from memory; its wavelength differs a little.
    assert optics.best_f_number(spread) == pytest.approx(20 * math.sqrt(spread), rel=0.04)


@given(st.floats(0.01, 20), st.floats(0.5, 2))
def test_no_other_f_number_blurs_the_ends_less_than_the_best(spread: float, factor: float) -> None:
    def blur(n: float) -> float:
        return optics.total_blur_um(1000 * spread / (2 * n), n)

    best = optics.best_f_number(spread)
    assert blur(best) <= blur(best * factor) * (1 + 1e-9)


def test_an_objectives_f_number_gives_its_diffraction_limit() -> None:
    # Rayleigh: 0.61 λ / NA in the object, half an Airy diameter; at M on the sensor, M times as much.
    airy = optics.airy_diameter_um(optics.objective_f_number(10, 0.28))
    assert airy / 2 / 10 == pytest.approx(0.61 * optics.GREEN_UM / 0.28)


def test_a_circle_of_confusion_wider_than_the_aperture_is_refused() -> None:
    with pytest.raises(UsageError, match="wider than the aperture"):
        optics.sharp_images(60, 50, 25, 3)
