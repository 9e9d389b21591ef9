"""Plans against worked examples and published values, and what must hold for every plan."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from nearfar import optics
from nearfar.bracket import Bracket, Shoot, plan_bracket
from nearfar.errors import UsageError

LANDSCAPE = Shoot(focal=24, f_number=8, near=1000, far=math.inf, criterion="10um", overlap=0.3)
MACRO = Shoot(magnification=1, f_number=5.6, depth=12, criterion="20um", overlap=0.3)
SPECIMEN = Shoot(magnification=10, numerical_aperture=0.28, depth=0.5, overlap=0.3)


def test_three_worked_examples() -> None:
    """Computed by hand from n = ceil(range / (depth (1 - overlap))), both ends in focus on rail and stage; no
    published twin."""
    assert plan_bracket(LANDSCAPE).frames == 6
    macro, specimen = plan_bracket(MACRO), plan_bracket(SPECIMEN)
    assert (macro.frames, specimen.frames) == (40, 103)
    assert macro.step == pytest.approx(0.314, rel=0.03)  # evened out to whole frames
    assert specimen.step == pytest.approx(0.0049, rel=0.01)


@pytest.mark.parametrize(
    ("m", "n", "c", "depth", "tolerance"),
    [
        # Canon MP-E 65 mm manual, c = 0.035 mm fits; Savazzi 2011, table 1, c = 0.019 mm fits.
        pytest.param(1, 16, "35um", 2.240, 0.0005, id="maker's manual, 1x f/16"),
        pytest.param(5, 2.8, "35um", 0.048, 0.0011, id="maker's manual, 5x f/2.8"),
        pytest.param(0.5, 2.8, "19um", 0.64, 0.005, id="table 1, 0.5x f/2.8"),
        pytest.param(5, 4, "19um", 0.036, 0.0006, id="table 1, 5x f/4"),
    ],
)
def test_depth_of_each_frame_agrees_with_published_tables(
    m: float, n: float, c: str, depth: float, tolerance: float
) -> None:
    plan = plan_bracket(Shoot(magnification=m, f_number=n, depth=3, criterion=c))
    assert all(step.depth == pytest.approx(depth, abs=tolerance) for step in plan.steps)


def test_effective_aperture_agrees_with_a_published_table() -> None:
    # Savazzi 2011, table 1: 5x f/4 is f/24.
    assert (
        plan_bracket(Shoot(magnification=5, f_number=4, depth=1, criterion="19um")).effective_f_number == 24
    )


@pytest.mark.parametrize(
    ("na", "step"), [(0.10, 55), (0.14, 28.1), (0.25, 8.8), (0.28, 7.02), (0.40, 3.44), (0.55, 1.82)]
)
def test_microscope_depth_agrees_with_a_published_table_of_steps(na: float, step: float) -> None:
    plan = plan_bracket(Shoot(magnification=10, numerical_aperture=na, depth=0.2))
    assert plan.steps[0].depth * 1000 == pytest.approx(step, rel=0.002)


def test_the_wave_convention_asks_for_half_the_step() -> None:
    # Makers' tables of objectives use λ / (2 NA²): 306 µm at NA 0.03.
    plan = plan_bracket(Shoot(magnification=1, numerical_aperture=0.03, depth=3, convention="wave"))
    assert plan.steps[0].depth * 1000 == pytest.approx(306, abs=0.6)


def test_hyperfocal_distance_agrees_with_a_published_chart() -> None:
    # naturelyrics.com chart, c = 0.02 mm: 12 mm f/4 is 5.94 ft.
    plan = plan_bracket(Shoot(focal=12, f_number=4, near=500, far=math.inf, criterion="20um"))
    assert plan.hyperfocal is not None
    assert plan.hyperfocal / 304.8 == pytest.approx(5.94, abs=0.006)


def test_criteria_are_named_with_their_convention() -> None:
    def criterion(text: str) -> tuple[float, str]:
        found = plan_bracket(
            Shoot(
                sensor=(36, 24),
                pixels=(6000, 4000),
                focal=50,
                f_number=8,
                near=2000,
                far=5000,
                criterion=text,
            )
        ).criterion
        assert found is not None
        return found.size, found.text

    # 36 x 24 mm: 0.043 mm by d/1000, 0.029 mm by d/1500 (Zeiss).
    assert criterion("traditional")[0] == pytest.approx(0.0433, abs=5e-5)
    assert criterion("modern")[0] == pytest.approx(0.0288, abs=5e-5)
    assert criterion("2px")[0] == pytest.approx(0.012)
    assert criterion("30um")[0] == pytest.approx(0.030)
    assert "diagonal / 1500" in criterion("modern")[1]


distances = st.tuples(st.floats(1.05, 500), st.one_of(st.floats(1.01, 100), st.just(math.inf)))
rings = st.builds(
    lambda f, n, ends, overlap, c, p, how: Shoot(
        focal=f,
        f_number=n,
        near=f * ends[0],
        far=f * ends[0] * ends[1],
        overlap=overlap,
        criterion=f"{c:.6f}mm",
        pupil_ratio=p,
        ends=how,
    ),
    st.floats(8, 600),
    st.floats(1, 32),
    distances,
    st.floats(0, 0.9),
    st.floats(0.003, 0.05),
    st.sampled_from([0.5, 1.0, 1.7]),
    st.sampled_from(["auto", "focused", "covered"]),
)
travels = st.builds(
    lambda m, n, depth, overlap, c, how: Shoot(
        magnification=m, f_number=n, depth=depth, overlap=overlap, criterion=f"{c:.6f}mm", ends=how
    ),
    st.floats(0.05, 20),
    st.floats(1, 32),
    st.floats(0.01, 200),
    st.floats(0, 0.9),
    st.floats(0.003, 0.05),
    st.sampled_from(["auto", "focused", "covered"]),
)


def planned(shoot: Shoot) -> Bracket:
    """The plan; what takes too many frames, or is one distance to the lens, is not looked at."""
    try:
        return plan_bracket(shoot)
    except UsageError as error:
        assume(not any(words in str(error) for words in ("at most", "are the same to this lens")))
        raise


@given(rings)
def test_with_a_ring_everything_between_the_ends_is_sharp_and_overlaps_as_asked(shoot: Shoot) -> None:
    plan = planned(shoot)
    assert shoot.near is not None
    assert shoot.far is not None
    assert shoot.focal is not None
    assert shoot.f_number is not None
    assert plan.criterion is not None
    f, p = shoot.focal, shoot.pupil_ratio
    slack = 1e-6
    assert plan.steps[0].near <= shoot.near * (1 + slack)
    assert plan.steps[-1].far >= shoot.far * (1 - 1e-3) or plan.steps[-1].far > 1e6 * f
    spans = [
        optics.sharp_images(optics.image_distance(s.distance, f), f, shoot.f_number, plan.criterion.size, p)
        for s in plan.steps
    ]
    for (back, front), (_, next_front) in itertools.pairwise(spans):
        shared = (next_front - back) / (front - back)
        assert shared >= shoot.overlap - 1e-6


@given(travels)
def test_on_a_rail_everything_between_the_ends_is_sharp_and_overlaps_as_asked(shoot: Shoot) -> None:
    plan = planned(shoot)
    assert shoot.depth is not None
    assert plan.steps[0].near <= 1e-9 * shoot.depth
    assert plan.steps[-1].far >= shoot.depth * (1 - 1e-9)
    for this, following in zip(plan.steps, plan.steps[1:], strict=False):
        assert (this.far - following.near) / this.depth >= shoot.overlap - 1e-6


@given(rings, st.floats(1.05, 3))
def test_stopping_down_less_overlap_or_a_larger_criterion_never_takes_more_frames(
    shoot: Shoot, factor: float
) -> None:
    frames = planned(shoot).frames
    assert shoot.f_number is not None
    assert planned(replace(shoot, f_number=shoot.f_number * factor)).frames <= frames
    assert planned(replace(shoot, overlap=shoot.overlap / factor)).frames <= frames


@given(rings)
def test_frames_run_from_near_to_far_in_even_steps_behind_the_lens(shoot: Shoot) -> None:
    plan = planned(shoot)
    places = [s.distance for s in plan.steps]
    assert places == sorted(places)
    assert [s.number for s in plan.steps] == list(range(1, plan.frames + 1))
    for k, step in enumerate(plan.steps):
        assert step.travel == pytest.approx(k * plan.step, rel=1e-6, abs=1e-9 * (shoot.focal or 1))


def by_formula(near: float, far: float, f: float, N: float, c: float, overlap: float) -> int:
    """Frames in even steps behind the lens, each sharp within N c on either side: from the lens equation alone."""
    span = near * f / (near - f) - (f if math.isinf(far) else far * f / (far - f))
    return math.ceil(span / (2 * N * c * (1 - overlap)))


@given(st.floats(100, 1e9))
def test_a_landscape_takes_no_more_frames_than_the_formula_says(near: float) -> None:
    shoot = Shoot(focal=24, f_number=8, near=near, far=math.inf, criterion="10um")
    assert plan_bracket(shoot).frames <= by_formula(near, math.inf, 24, 8, 0.010, 0.3) + 1


def test_close_up_the_effective_aperture_spares_frames() -> None:
    """At about life size the cone of light is half as steep, so half as many frames do."""
    shoot = Shoot(focal=100, f_number=8, near=200, far=220, criterion="12um", overlap=0.3)
    at_face_value = by_formula(200, 220, 100, 8, 0.012, 0.3)
    assert plan_bracket(shoot).frames == pytest.approx(at_face_value / 1.83, rel=0.05)


def test_focus_marks_count_from_the_sensor() -> None:
    step = plan_bracket(LANDSCAPE).steps[0]
    assert step.mark == pytest.approx(step.distance + optics.image_distance(step.distance, 24))


def test_distances_from_the_sensor_are_nearer_to_the_lens() -> None:
    plan = plan_bracket(
        Shoot(focal=100, f_number=8, near=500, far=700, origin="sensor", criterion="20um", ends="focused")
    )
    assert plan.steps[0].mark == pytest.approx(500)
    assert plan.steps[-1].mark == pytest.approx(700)


def test_one_shot_needs_an_aperture_that_just_covers_the_depth() -> None:
    plan = plan_bracket(Shoot(focal=50, f_number=8, near=2000, far=5000, criterion="30um"))
    assert plan.one_shot is not None
    again = plan_bracket(
        Shoot(
            focal=50, f_number=plan.one_shot.f_number * 1.02, near=2000, far=5000, criterion="30um", overlap=0
        )
    )
    assert again.frames == 1
    s, n = again.steps[0].distance, plan.one_shot.f_number
    assert optics.near_limit(s, 50, n, 0.03) == pytest.approx(2000, rel=0.01)
    assert optics.far_limit(s, 50, n, 0.03) == pytest.approx(5000, rel=0.03)
    assert plan.one_shot.best_blur_um <= plan.one_shot.blur_um


def test_time_and_card_space_are_sums() -> None:
    plan = plan_bracket(
        Shoot(
            magnification=1,
            f_number=5.6,
            depth=12,
            criterion="20um",
            exposure=0.5,
            settle=2,
            recycle=3,
            pixels=(6000, 4000),
            file="tiff16",
        )
    )
    assert plan.seconds == pytest.approx(40 * 3.5)  # settling and recycling run side by side
    assert plan.bytes == 40 * 6000 * 4000 * 6


@pytest.mark.parametrize(
    ("shoot", "words"),
    [
        (Shoot(focal=50, f_number=8, near=40, far=1000, criterion="30um"), "within its focal length"),
        (Shoot(focal=50, f_number=8, near=2000, far=1000, criterion="30um"), "not nearer"),
        (Shoot(focal=50, f_number=8, near=2000, far=2000.000001, criterion="30um"), "same to this lens"),
        (Shoot(focal=50, f_number=8, near=300, far=1000), "give --sensor"),
        (Shoot(focal=50, f_number=8, near=300, far=1000, criterion="2px"), "needs the pixels' size"),
        (Shoot(focal=50, f_number=8, near=300, far=1000, criterion="sharp"), "--criterion"),
        (Shoot(focal=50, f_number=8, criterion="30um"), "--near"),
        (Shoot(f_number=8, near=300, far=1000, criterion="30um"), "--focal"),
        (Shoot(magnification=1, f_number=8, criterion="30um"), "--depth"),
        (Shoot(magnification=1, depth=3, criterion="30um"), "--f"),
        (Shoot(numerical_aperture=0.28, depth=1), "--objective"),
        (Shoot(numerical_aperture=1.4, magnification=60, depth=1), "refractive index"),
        (Shoot(magnification=20, f_number=1, depth=2000, criterion="1um"), "at most 10000"),
        (Shoot(focal=50, f_number=32, near=300, far=1000, criterion="30mm"), "wider than the aperture"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(shoot: Shoot, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        plan_bracket(shoot)


@pytest.mark.parametrize(
    "change", [{"overlap": 1.0}, {"f_number": math.nan}, {"focal": math.inf}, {"settle": -1.0}]
)
def test_values_that_make_no_sense_are_refused_when_asked(change: dict[str, float]) -> None:
    with pytest.raises(UsageError, match=next(iter(change))):
        Shoot(**change)  # type: ignore[arg-type]


def test_diffraction_beyond_the_criterion_is_pointed_out() -> None:
    plan = plan_bracket(Shoot(magnification=5, f_number=16, depth=1, criterion="20um"))
    assert any("diffraction alone" in text for text in plan.warnings)


def test_rules_of_thumb_say_what_they_are() -> None:
    for plan in (plan_bracket(LANDSCAPE), plan_bracket(MACRO)):
        assert any("(common practice, no source)" in text for text in plan.remarks)
