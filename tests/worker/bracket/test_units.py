"""What photographers write, as numbers; and numbers as they read them."""

from __future__ import annotations

import math

import pytest

from nearfar.bracket import units
from nearfar.bracket.words import space
from nearfar.errors import UsageError


@pytest.mark.parametrize(
    ("text", "millimetres"),
    [
        ("100mm", 100.0),
        ("0.4m", 400.0),
        ("0.4 m", 400.0),
        ("12 cm", 120.0),
        ("4um", 0.004),
        ("4µm", 0.004),  # the micro sign
        ("4μm", 0.004),  # the Greek letter
        ("2ft", 609.6),  # international foot, 1959
        ("1in", 25.4),
        (".5m", 500.0),
        ("550nm", 0.00055),
    ],
)
def test_lengths_carry_their_unit(text: str, millimetres: float) -> None:
    assert units.length(text, "--near") == pytest.approx(millimetres)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0.4", "the unit is missing"),
        ("4 parsec", "there is no unit 'parsec'"),
        ("-3mm", "not a length"),
        ("0mm", "above zero"),
        ("", "not a length"),
        ("inf", "not a length"),
        ("1e3mm", "there is no unit|not a length"),
        ("9" * 400 + "mm", "above zero"),
    ],
)
def test_what_is_no_length_is_refused_with_the_option(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        units.length(text, "--near")
    assert "--near" in str(caught.value)


def test_infinity_is_a_length_only_where_it_makes_sense() -> None:
    assert units.length("inf", "--far", endless=True) == math.inf
    assert units.length("∞", "--far", endless=True) == math.inf


@pytest.mark.parametrize(
    ("text", "value"), [("1", 1.0), ("2.5x", 2.5), ("1:2", 0.5), ("5:1", 5.0), ("10×", 10.0)]
)
def test_magnifications_are_ratios_or_factors(text: str, value: float) -> None:
    assert units.magnification(text) == value


@pytest.mark.parametrize("text", ["8", "f/8", "F/8", "f8", " 8 "])
def test_apertures_are_read_as_lenses_show_them(text: str) -> None:
    assert units.f_number(text) == 8


@pytest.mark.parametrize(("text", "value"), [("30%", 0.3), ("0.3", 0.3), ("0", 0.0), ("99.5 %", 0.995)])
def test_shares_are_per_cent_or_fractions(text: str, value: float) -> None:
    assert units.share(text, "--overlap") == pytest.approx(value)


def test_sensors_are_sizes_or_names() -> None:
    assert units.sensor("24x36") == (36.0, 24.0)
    assert units.sensor("36 × 24 mm") == (36.0, 24.0)
    assert units.sensor("APS-C") == units.SENSORS["aps-c"]
    # Four Thirds: 17.3 x 13.0 mm by the standard's own name sheet (from memory), diagonal 21.6 mm.
    assert math.hypot(*units.sensor("four-thirds")) == pytest.approx(21.6, abs=0.05)


def test_pixels_and_objectives() -> None:
    assert units.pixels("4000x6000") == (6000, 4000)
    assert units.objective("10/0.28") == (10.0, 0.28)
    assert units.objective("4x/.10") == (4.0, 0.1)


@pytest.mark.parametrize(
    ("text", "value"), [("1/60", 1 / 60), ("0.5", 0.5), ("2s", 2.0), ("150ms", 0.15), ("0", 0)]
)
def test_times_are_seconds_or_fractions(text: str, value: float) -> None:
    assert units.seconds(text, "--exposure") == pytest.approx(value)


@pytest.mark.parametrize(
    ("read", "text"),
    [
        (units.magnification, "0"),
        (units.magnification, "1:0"),
        (units.f_number, "f/"),
        (lambda t: units.share(t, "--overlap"), "100%"),
        (lambda t: units.share(t, "--overlap"), "-5%"),
        (units.sensor, "huge"),
        (units.sensor, "0x24"),
        (units.pixels, "0x10"),
        (units.pixels, "24MP"),
        (units.objective, "10"),
        (units.objective, "10/0"),
        (lambda t: units.seconds(t, "--exposure"), "1/0"),
        (lambda t: units.seconds(t, "--exposure"), "soon"),
    ],
)
def test_what_is_not_understood_is_refused_in_words(read: object, text: str) -> None:
    assert callable(read)
    with pytest.raises(UsageError, match="expected|not known"):
        read(text)


@pytest.mark.parametrize(
    ("millimetres", "text"),
    [
        (0.0049, "4.90 µm"),
        (0.314, "0.314 mm"),
        (42.0, "42.0 mm"),
        (420.0, "42.0 cm"),
        (1250.0, "1.25 m"),
        (math.inf, "infinity"),
        (0.0, "0 mm"),
    ],
)
def test_lengths_are_shown_in_the_unit_that_suits_them(millimetres: float, text: str) -> None:
    assert units.show_length(millimetres) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(8.0, "f/8"), (2**2.5, "f/5.6"), (2**3.5, "f/11"), (2**4.5, "f/22"), (6.13, "f/6.1"), (149.6, "f/150")],
)
def test_whole_stops_are_shown_as_lenses_show_them(value: float, text: str) -> None:
    assert units.show_f_number(value) == text


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 B"), (999, "999 B"), (1500, "1.5 kB"), (38_123_456, "38.1 MB"), (999_999_999, "1 GB"),
     (2_000_000_000, "2 GB"), (3_200_000_000_000, "3.2 TB"), (5_200_000_000_000_000, "5200 TB")],
)  # fmt: skip
def test_room_is_told_in_decimal_units_of_three_figures(size: int, text: str) -> None:
    """SI prefixes (ISO/IEC 80000-13, 4)."""
    assert space(size) == text
