"""Regions: which pixels lie in them, how far the others are away, and how they are read from SVG and fragments."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from nearfar.errors import UsageError
from nearfar.merge.mending.region import MOST_POINTS, Region, distances, ramp
from nearfar.merge.mending.svg import region_of_fragment, region_of_svg, svg_of

SIZE = (120, 90)
ALL = (0, 0, *SIZE)


def area(region: Region) -> int:
    return int(region.inside(ALL).sum())


def test_a_box_is_exactly_its_pixels() -> None:
    inside = Region.of_box(10, 20, 30, 5).inside(ALL)
    assert inside.sum() == 150
    assert inside[20:25, 10:40].all()


def test_a_window_shows_the_same_pixels_as_the_whole() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        points = rng.uniform([-20, -20], [140, 110], (9, 2))
        region = Region(polygons=(tuple(map(tuple, points.tolist())),))
        whole = region.inside(ALL)
        x, y = int(rng.integers(0, 60)), int(rng.integers(0, 40))
        assert np.array_equal(region.inside((x, y, 50, 40)), whole[y : y + 40, x : x + 50])


def test_polygons_are_filled_as_a_reference_library_fills_them() -> None:
    # OpenCV fills by the even-odd rule and draws the border as well: convex polygons, to a pixel.
    rng = np.random.default_rng(6)
    for _ in range(10):
        turns = np.sort(rng.uniform(0, 2 * math.pi, 9))
        points = np.stack([60 + 50 * np.cos(turns), 45 + 40 * np.sin(turns)], axis=1)
        mine = Region(polygons=(tuple(map(tuple, points.tolist())),)).inside(ALL)
        theirs = np.zeros(SIZE[::-1], np.uint8)
        cv2.fillPoly(theirs, [np.round((points - 0.5) * 16).astype(np.int32)], 1, shift=4)
        within = cv2.erode(theirs, np.ones((3, 3), np.uint8)).astype(bool)
        assert not (within & ~mine).any()
        assert not (mine & ~cv2.dilate(theirs, np.ones((3, 3), np.uint8)).astype(bool)).any()


def test_a_loop_drawn_over_itself_stays_inside() -> None:
    star = [
        (60 + 40 * math.cos(4 * math.pi * k / 5), 45 + 40 * math.sin(4 * math.pi * k / 5)) for k in range(5)
    ]
    assert Region(polygons=(tuple(star),)).inside(ALL)[45, 60], "SVG's fill rule is nonzero"


def test_distances_are_those_of_a_reference_library() -> None:
    rng = np.random.default_rng(7)
    inside = rng.random((70, 90)) < 0.002
    inside[30, 40] = True
    mine = distances(inside, 20)
    theirs = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    near = theirs <= 20
    assert np.allclose(mine[near], theirs[near], atol=1e-4)
    assert (mine[~near] > 20).all()


def test_distances_of_a_window_without_the_region_are_far() -> None:
    assert (distances(np.zeros((10, 12), np.bool_), 5) > 5).all()


def test_the_ramp_is_one_in_the_region_and_nothing_beyond_its_width() -> None:
    at = ramp(np.array([0.0, 4.0, 8.0, 9.0], np.float32), 8)
    assert at.tolist() == [1.0, 0.5, 0.0, 0.0]


@pytest.mark.parametrize(
    ("text", "pixels"),
    [
        ("<svg xmlns='http://www.w3.org/2000/svg'><path d='M10,20 h30 v5 h-30 z'/></svg>", 150),
        ("<path d='M 10 20 L 40 20 40 25 10 25 Z'/>", 150),
        ("<path d='m10 20 30 0 0 5 -30 0z m40 0 h10 v10 h-10z'/>", 250),
        ("<svg><g><polygon points='10,20 40,20 40,25 10,25'/></g></svg>", 150),
        ("<rect x='10' y='20' width='30' height='5'/>", 150),
        ("<path d='M10-20L40-20 40 25 10 25z'/>", 30 * 25),
    ],
)
def test_svg_shapes_are_read(text: str, pixels: int) -> None:
    assert area(region_of_svg(text)) == pixels


@pytest.mark.parametrize(
    "text",
    [
        "<circle cx='60' cy='45' r='30'/>",
        "<ellipse cx='60' cy='45' rx='30' ry='30'/>",
        "<path d='M 30 45 A 30 30 0 0 1 90 45 A 30 30 0 0 1 30 45 Z'/>",
        "<path d='M 30 45 a 30 30 0 1 0 60 0 a 30 30 0 1 0 -60 0'/>",
        # four cubic pieces with control points at .5523 of the radius (a common approximation, from memory)
        "<path d='M90 45 C90 61.57 76.57 75 60 75 S30 61.57 30 45 43.43 15 60 15 90 28.43 90 45z'/>",
    ],
)
def test_round_shapes_hold_as_much_as_a_circle(text: str) -> None:
    assert area(region_of_svg(text)) == pytest.approx(math.pi * 900, rel=0.01)


def test_a_parabola_holds_two_thirds_of_its_box() -> None:
    # Archimedes, Quadrature of the Parabola. The second piece goes out and back on one line.
    found = area(region_of_svg("<path d='M10 10 Q 55 90 100 10 T 100 10 Z'/>"))
    assert found == pytest.approx(2 / 3 * 90 * 40, rel=0.02)


def test_a_region_comes_back_from_its_own_svg() -> None:
    region = Region(polygons=(((1, 2), (30.25, 4), (20, 40.5)), ((50, 50), (60, 50), (60, 60))))
    assert region_of_svg(svg_of(region)) == region


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no XML"),
        ("<svg/>", "no shape"),
        ("<path d='M 1 2'/>", "no shape"),
        ("<path d='M 1 2 L 3'/>", "cannot be read"),
        ("<path d='M 1 2 X 3 4'/>", "cannot be read"),
        ("<path d='1 2 3 4'/>", "cannot be read"),
        ("<path d='M 1 2 L 3 ; 4'/>", "';'"),
        ("<polygon points='1,2 3,4 5'/>", "5 coordinates"),
        ("<rect x='a' y='20' width='30' height='5'/>", "x='a'"),
        ("<svg><script>1</script></svg>", "'script'"),
        ("<svg transform='scale(2)'><rect width='3' height='5'/></svg>", "transform"),
        ("<!DOCTYPE svg [<!ENTITY a 'b'>]><svg>&a;</svg>", "declaration"),
        ("<path d='" + "M1 1 " * 40000 + "'/>", "at most"),
    ],
)
def test_what_is_no_region_is_refused_in_words(text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        region_of_svg(text)


def test_fragments_are_read_in_pixels_and_percent() -> None:
    assert area(region_of_fragment("xywh=10,20,30,5", SIZE)) == 150
    assert area(region_of_fragment("#xywh=pixel:10,20,30,5", SIZE)) == 150
    assert region_of_fragment("xywh=percent:50,50,50,50", SIZE).bounds(SIZE) == (60, 45, 60, 45)
    for text in ("xywh=1,2,3", "xywh=a,b,c,d", "t=3", ""):
        with pytest.raises(UsageError, match="xywh=X,Y"):
            region_of_fragment(text, SIZE)


@pytest.mark.parametrize(
    ("region", "told"),
    [
        (Region(polygons=()), "fewer than three"),
        (Region(polygons=(((1, 1), (2, 2)),)), "fewer than three"),
        (Region.of_box(200, 10, 5, 5), "no pixel of the picture"),
        (Region.of_box(10, 10, 0.2, 5), "no pixel of the picture"),
        (Region.of_box(10, 10, math.nan, 5), "finite"),
        (Region(polygons=(((1.0, 1.0),) * (MOST_POINTS + 1),)), "at most"),
    ],
)
def test_regions_without_use_are_refused(region: Region, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        region.checked(SIZE)
