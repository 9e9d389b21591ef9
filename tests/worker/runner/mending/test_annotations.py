"""Mends as annotations: what is read, what is kept, and what is refused with the place that is wrong."""

from __future__ import annotations

from typing import Any

import pytest

from nearfar.errors import UsageError
from nearfar.merge.mending.region import Region
from nearfar.merge.mending.use import EDGE, Use, Wish
from nearfar.runner.mending.annotations import Subject, annotation_of, kept_wish, read_wish

SUBJECT = Subject(job=17, size=(400, 300), frames={1: "moss_1.tif", 3: "moss_3.tif"})
BOX = Region.of_box(10, 20, 30, 40)


def note(**changes: Any) -> dict[str, Any]:
    # After example 30 (SVG selector) and 4 (textual body with purpose) of the Web Annotation Data Model, from memory.
    return {
        "@context": "http://www.w3.org/ns/anno.jsonld",
        "type": "Annotation",
        "motivation": "editing",
        "body": {"type": "TextualBody", "value": "smooth", "purpose": "editing"},
        "target": {
            "source": "http://merge-box:8765/iiif/3/job-17",
            "selector": {"type": "SvgSelector", "value": "<svg><path d='M10,20 h30 v40 h-30 z'/></svg>"},
        },
    } | changes


def frame(source: Any) -> dict[str, Any]:
    return {"type": "SpecificResource", "purpose": "editing", "source": source}


@pytest.mark.parametrize(
    ("body", "wish"),
    [
        ({"box": [10, 20, 30, 40], "use": "smooth"}, Wish(use=Use.SMOOTH, region=BOX)),
        ({"box": [10, 20, 30, 40], "use": "quiet", "edge": 0}, Wish(use=Use.QUIET, region=BOX, edge=0)),
        (
            {"polygon": [[10, 20], [40, 20], [40, 60], [10, 60]], "use": "frame", "frame": "moss_3.tif"},
            Wish(use=Use.FRAME, region=BOX, frame=3),
        ),
        ({"box": [10, 20, 30, 40], "frame": 3}, Wish(use=Use.FRAME, region=BOX, frame=3)),
        ({"box": [10, 20, 30, 40], "frame": "moss_1"}, Wish(use=Use.FRAME, region=BOX, frame=1)),
        (note(), Wish(use=Use.SMOOTH, region=BOX)),
        (note(**{"nearfar:edge": 30}), Wish(use=Use.SMOOTH, region=BOX, edge=30)),
        (note(target="/iiif/3/job-17#xywh=10,20,30,40"), Wish(use=Use.SMOOTH, region=BOX)),
        (note(body=[frame("/iiif/3/job-17:frame-3")]), Wish(use=Use.FRAME, region=BOX, frame=3)),
        (note(body=frame("http://x/iiif/3/job-17%3Aframe-3")), Wish(use=Use.FRAME, region=BOX, frame=3)),
        (note(body=frame({"id": "/iiif/3/job-17:frame-1"})), Wish(use=Use.FRAME, region=BOX, frame=1)),
        (note(body=frame("moss_3.tif")), Wish(use=Use.FRAME, region=BOX, frame=3)),
    ],
)
def test_what_is_asked_for_is_read(body: dict[str, Any], wish: Wish) -> None:
    assert read_wish(body, SUBJECT) == wish


@pytest.mark.parametrize(
    "wish",
    [
        Wish(use=Use.SMOOTH, region=BOX),
        Wish(use=Use.FRAME, region=Region(polygons=(((1, 2), (30.5, 4), (20, 40)),)), edge=3, frame=3),
        Wish(use=Use.MAP, region=Region.of_box(0, 0, 12.5, 300), edge=EDGE),
    ],
)
def test_what_is_kept_is_an_annotation_that_says_the_same(wish: Wish) -> None:
    kept = annotation_of(wish, SUBJECT)
    assert kept["type"] == "Annotation"
    assert kept["body"]["purpose"] == kept["motivation"] == "editing"
    assert kept["target"]["selector"]["type"] in ("SvgSelector", "FragmentSelector")
    assert kept_wish(kept, SUBJECT) == wish == read_wish(kept, SUBJECT)


def test_a_kept_frame_is_told_by_number_and_name() -> None:
    body = annotation_of(Wish(use=Use.FRAME, region=BOX, frame=3), SUBJECT)["body"]
    assert body["type"] == "SpecificResource"
    assert (body["source"], body["nearfar:frame"]) == ("job-17:frame-3", "moss_3.tif")


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({}, "/box: found both or neither"),
        ({"box": [1, 2, 3, 4], "polygon": [], "use": "map"}, "/box"),
        ({"box": [1, 2, 3], "use": "map"}, "/box: found"),
        ({"box": [1, 2, 3, True], "use": "map"}, "4 numbers"),
        ({"box": [1, 2, 3, 10**400], "use": "map"}, "without an end"),
        ({"polygon": 5, "use": "map"}, "/polygon"),
        ({"polygon": [[1, 2], [3]], "use": "map"}, "/polygon/1"),
        ({"polygon": [[1, 2], [3, 4]], "use": "map"}, "fewer than three"),
        ({"box": [1, 2, 3, 4], "use": "paint"}, "frame, smooth, quiet, map"),
        ({"box": [1, 2, 3, 4]}, "/use"),
        ({"box": [1, 2, 3, 4], "use": "frame"}, "/frame"),
        ({"box": [1, 2, 3, 4], "use": "map", "frame": 3}, "none with map"),
        ({"box": [1, 2, 3, 4], "frame": 2}, r"moss_1.tif \(1\), moss_3.tif \(3\)"),
        ({"box": [1, 2, 3, 4], "use": "map", "edge": 500}, "/edge"),
        ({"box": [1, 2, 3, 4], "use": "map", "edge": 1.5}, "/edge"),
        ({"box": [1, 2, 3, 4], "use": "map", "colour": 1}, "/colour"),
        ({"box": [900, 2, 3, 4], "use": "map"}, "400 x 300"),
        (note(motivation="tagging"), "/motivation"),
        (note(body={"type": "TextualBody", "value": "smooth", "purpose": "tagging"}), "/body"),
        (note(body={"type": "Dataset"}), "/body/type"),
        (note(body=[]), "/body: found 0"),
        (note(body=frame("/iiif/3/job-18:frame-3")), "a frame of job 17"),
        (note(body=frame(None)), "/body/source"),
        (note(target={"source": "job-18", "selector": {}}), "the picture job-17"),
        (note(target={"source": "job-17"}), "/target/selector"),
        (note(target={"source": "job-17", "selector": {"type": "XPathSelector", "value": "/"}}), "XPath"),
        (note(target=4), "/target"),
    ],
)
def test_what_cannot_be_done_is_refused_with_its_place(body: dict[str, Any], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        read_wish(body, SUBJECT)
