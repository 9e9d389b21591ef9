"""Requests as the IIIF Image API 3.0 writes them, after its tables of examples (sections 4.1 to 4.7; 300 x 200 pixels)."""

from __future__ import annotations

import pytest

from nearfar_api.iiif.views import LARGEST_AREA, LARGEST_EDGE, View, read_view
from nearfar_api.problems import Problem

WIDTH, HEIGHT = 300, 200


def view(
    region: str = "full",
    size: str = "max",
    rotation: str = "0",
    name: str = "default.jpg",
    *,
    width: int = WIDTH,
    height: int = HEIGHT,
) -> View:
    return read_view(width=width, height=height, region=region, size=size, rotation=rotation, name=name)


def refusal(*parts: str) -> tuple[int, str]:
    with pytest.raises(Problem) as caught:
        view(*parts)
    return caught.value.status_code, caught.value.detail


@pytest.mark.parametrize(
    ("region", "box"),
    [
        ("full", (0, 0, 300, 200)),
        ("square", (50, 0, 200, 200)),
        ("125,15,120,140", (125, 15, 120, 140)),
        ("pct:41.6,7.5,40,70", (125, 15, 120, 140)),
        ("125,15,200,200", (125, 15, 175, 185)),
        ("pct:41.6,7.5,66.6,100", (125, 15, 175, 185)),
        ("0,0,1,1", (0, 0, 1, 1)),
        ("pct:0,0,0.01,0.01", (0, 0, 1, 1)),
    ],
)
def test_regions_are_cut_as_the_standard_has_it(region: str, box: tuple[int, ...]) -> None:
    assert view(region).box == box


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ("max", (300, 200)),
        ("150,", (150, 100)),
        ("^360,", (360, 240)),
        (",150", (225, 150)),
        ("^,240", (360, 240)),
        ("pct:50", (150, 100)),
        ("^pct:120", (360, 240)),
        ("225,100", (225, 100)),
        ("^360,360", (360, 360)),
        ("!225,100", (150, 100)),
        ("^!360,360", (360, 240)),
        ("300,", (300, 200)),
        ("1,", (1, 1)),
    ],
)
def test_sizes_are_those_of_the_standards_examples(size: str, expected: tuple[int, int]) -> None:
    assert view(size=size).size == expected


def test_max_keeps_within_the_limits_and_upwards_reaches_them() -> None:
    for width, height in [(12000, 9000), (30000, 40), (300, 200)]:
        found = view(width=width, height=height).size
        assert found[0] <= min(width, LARGEST_EDGE)
        assert found[0] * found[1] <= LARGEST_AREA
    enlarged = view(size="^max").size
    assert enlarged[0] * enlarged[1] > 0.999 * LARGEST_AREA
    assert enlarged[0] / enlarged[1] == pytest.approx(1.5, abs=0.001)


def test_a_frame_to_fit_into_is_no_way_round_the_limits() -> None:
    found = view(size="^!900000,900000").size
    assert found[0] * found[1] <= LARGEST_AREA


@pytest.mark.parametrize(
    "size",
    ["^100000,", "^100000,100000", "^,100000", f"^{LARGEST_EDGE + 1},1", "^pct:999999999", "^6000,6000"],
)
def test_absurd_sizes_are_refused_with_the_limits(size: str) -> None:
    status, detail = refusal("full", size)
    assert status == 400
    assert str(LARGEST_AREA) in detail


@pytest.mark.parametrize("size", ["301,", ",201", "pct:100.5", "301,100", "!600,600"])
def test_enlarging_asks_for_its_mark(size: str) -> None:
    status, detail = refusal("full", size)
    assert status == 400
    assert f"^{size}" in detail


@pytest.mark.parametrize(
    "parts",
    [
        ("",),
        ("1,2,3",),
        ("1,2,3,4,5",),
        ("-1,0,5,5",),
        ("1.5,0,5,5",),
        ("0,0,0,5",),
        ("300,0,5,5",),
        ("pct:100,0,5,5",),
        ("pct:0,0,0,5",),
        ("０,0,5,5",),
        ("9999999999,0,5,5",),
        ("full", "full"),
        ("full", ","),
        ("full", "0,"),
        ("full", "!0,5"),
        ("full", "pct:0"),
        ("full", "pct:0.01"),
        ("full", "^"),
        ("full", "5,5,"),
        ("full", "!max"),
        ("full", "1e3,"),
        ("full", "nan,"),
        ("full", "max", "361"),
        ("full", "max", "-90"),
        ("full", "max", "!"),
        ("full", "max", "9O"),
        ("full", "max", "0", "default"),
        ("full", "max", "0", ".jpg"),
        ("full", "max", "0", "native.jpg"),
        ("full", "max", "0", "default.JPG"),
        ("full", "max", "0", "default.bmp"),
    ],
)
def test_what_is_not_written_so_is_refused(parts: tuple[str, ...]) -> None:
    status, detail = refusal(*parts)
    assert status == 400
    assert detail.endswith(".")


@pytest.mark.parametrize(
    "parts", [("full", "max", "22.5"), ("full", "max", "!45"), ("full", "max", "0", "default.webp")]
)
def test_what_the_standard_knows_and_the_server_does_not_is_told_apart(parts: tuple[str, ...]) -> None:
    assert refusal(*parts)[0] == 501


def test_rotations_count_quarters_clockwise() -> None:
    found = [view(rotation=text) for text in ("0", "90", "180.0", "!270", "360", "!360")]
    assert [one.turns for one in found] == [0, 1, 2, 3, 0, 0]
    assert [one.mirrored for one in found] == [False, False, False, True, False, True]


@pytest.mark.parametrize(
    ("parts", "canonical"),
    [
        (("0,0,300,200", "300,200", "360", "color.jpg"), "full/max/0/default.jpg"),
        (("pct:0,0,50,50", "pct:50", "!90", "gray.png"), "0,0,150,100/75,50/!90/gray.png"),
        (("square", "^400,", "0", "bitonal.png"), "50,0,200,200/^400,400/0/bitonal.png"),
        (("full", "^max", "0", "default.jpg"), "full/^max/0/default.jpg"),
        (("full", "!100,100", "0", "default.jpg"), "full/100,67/0/default.jpg"),
    ],
)
def test_each_view_has_one_canonical_address(parts: tuple[str, str, str, str], canonical: str) -> None:
    found = view(*parts)
    assert found.canonical(WIDTH, HEIGHT, 3) == canonical
    again = view(*canonical.split("/"))
    assert again.canonical(WIDTH, HEIGHT, 3) == canonical
    assert (again.box, again.size, again.turns) == (found.box, found.size, found.turns)


def test_grey_is_what_a_grey_picture_is_by_default() -> None:
    assert view(name="gray.jpg").canonical(WIDTH, HEIGHT, 1) == "full/max/0/default.jpg"
