"""Mends as they are asked for, kept and told: W3C Web Annotations (Web Annotation Data Model, Recommendation 2017).

The target is the picture with an SVG or a fragment selector; the body names a frame (a specific resource) or says what
to use in a word (a textual body); its purpose is 'editing'. Instead of an annotation a short form is taken as well.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from nearfar.errors import UsageError
from nearfar.merge.mending.region import MOST_EDGE, Region
from nearfar.merge.mending.svg import region_of_fragment, region_of_svg, svg_of
from nearfar.merge.mending.use import EDGE, Use, Wish

MEDIA_FRAGMENTS = "http://www.w3.org/TR/media-frags/"
"""What a fragment selector conforms to (Web Annotation Data Model, 4.2.1)."""
PICTURE = re.compile(r"(?:.*/)?job-(\d+)(?::frame-(\d+))?(?:/[^#]*)?(?:#(.*))?", re.DOTALL)
OWN_EDGE, OWN_FRAME = "nearfar:edge", "nearfar:frame"
"""Terms of ours: width of the soft edge in pixels; a frame's name beside its address."""


@dataclass(frozen=True, kw_only=True)
class Subject:
    """The picture that is mended, as far as a wish has to fit it."""

    job: int
    size: tuple[int, int]
    frames: Mapping[int, str]
    """Names of the frames that went into it, by their numbers, from 1."""


def read_wish(body: Mapping[str, Any], subject: Subject) -> Wish:
    """A wish from an annotation or the short form ``{"box" | "polygon", "use", "frame"?, "edge"?}``.

    Raises
    ------
    UsageError
        It says too little, too much, or what does not fit the picture; the message names the place.
    """
    wish = _of_annotation(body, subject) if body.get("type") == "Annotation" else _of_short(body, subject)
    wish.region.checked(subject.size)
    return wish


def annotation_of(wish: Wish, subject: Subject) -> dict[str, Any]:
    """The annotation that is kept; addresses are the identifiers alone, which whoever tells it completes."""
    target = {"type": "SpecificResource", "source": f"job-{subject.job}", "selector": _selector(wish.region)}
    if wish.frame is None:
        body: dict[str, Any] = {"type": "TextualBody", "value": str(wish.use), "format": "text/plain"}
    else:
        source = f"job-{subject.job}:frame-{wish.frame}"
        body = {"type": "SpecificResource", "source": source, OWN_FRAME: subject.frames[wish.frame]}
    return {
        "type": "Annotation",
        "motivation": "editing",
        "body": body | {"purpose": "editing"},
        "target": target,
        OWN_EDGE: wish.edge,
    }


def kept_wish(annotation: Mapping[str, Any], subject: Subject) -> Wish:
    """The wish of an annotation that was kept; its frame may have gone from the picture since. Raises `UsageError`."""
    return _of_annotation(annotation, subject)


def _selector(region: Region) -> dict[str, Any]:
    if len(region.polygons) == 1 and len(polygon := region.polygons[0]) == 4:
        (x0, y0), (x1, y1) = polygon[0], polygon[2]
        if polygon == Region.of_box(x0, y0, x1 - x0, y1 - y0).polygons[0]:
            value = ",".join(f"{v:.10g}" for v in (x0, y0, x1 - x0, y1 - y0))
            return {"type": "FragmentSelector", "conformsTo": MEDIA_FRAGMENTS, "value": f"xywh={value}"}
    return {"type": "SvgSelector", "value": svg_of(region)}


# The short form


def _of_short(body: Mapping[str, Any], subject: Subject) -> Wish:
    unknown = sorted(set(body) - {"box", "polygon", "use", "frame", "edge"})
    if unknown:
        raise _no(
            f"/{unknown[0]}", "what is not known here", "an Annotation, or box or polygon, use, frame, edge"
        )
    box, polygon = body.get("box"), body.get("polygon")
    if (box is None) == (polygon is None):
        raise _no("/box", "both or neither of box and polygon", "one of them")
    region = Region.of_box(*_numbers(box, "/box", 4)) if box is not None else _polygon(polygon)
    frame = body.get("frame")
    use = _use(body.get("use"), "/use", Use.FRAME if frame is not None else None)
    return _wish(use, region, frame, body.get("edge"), subject, ("/frame", "/edge"))


def _polygon(value: Any) -> Region:
    if not isinstance(value, list | tuple):
        raise _no("/polygon", type(value).__name__, "[[x, y], ...]")
    points = [_numbers(point, f"/polygon/{place}", 2) for place, point in enumerate(value)]
    return Region(polygons=(tuple((x, y) for x, y in points),))


def _numbers(value: Any, where: str, count: int) -> list[float]:
    if not isinstance(value, list | tuple) or len(value) != count:
        raise _no(where, repr(value)[:60], f"{count} numbers")
    if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
        raise _no(where, repr(value)[:60], f"{count} numbers")
    try:
        return [float(v) for v in value]
    except OverflowError:
        raise _no(where, "a number without an end", "places in a picture") from None


def _use(value: Any, where: str, default: Use | None) -> Use:
    if value is None and default is not None:
        return default
    if value not in list(Use):
        raise _no(where, repr(value)[:60], "one of " + ", ".join(Use))
    return Use(value)


def _wish(use: Use, region: Region, frame: Any, edge: Any, subject: Subject, where: Sequence[str]) -> Wish:
    if (frame is not None) != (use is Use.FRAME):
        expected = "the name or number of a frame" if use is Use.FRAME else f"none with {use}"
        raise _no(where[0], repr(frame)[:60], expected)
    width = EDGE if edge is None else edge
    if isinstance(width, bool) or not isinstance(width, int) or not 0 <= width <= MOST_EDGE:
        raise _no(where[1], repr(edge)[:60], f"whole pixels, 0 to {MOST_EDGE}")
    number = None if frame is None else _frame(frame, subject, where[0])
    return Wish(use=use, region=region, edge=width, frame=number)


def _frame(value: Any, subject: Subject, where: str) -> int:
    """Number of a frame from its number or name."""
    if isinstance(value, int) and not isinstance(value, bool) and value in subject.frames:
        return value
    for number, name in subject.frames.items():
        if isinstance(value, str) and value in (name, name.rpartition(".")[0], f"frame-{number}"):
            return number
    there = ", ".join(f"{name} ({number})" for number, name in list(subject.frames.items())[:6])
    more = ", ..." if len(subject.frames) > 6 else ""
    raise _no(where, repr(value)[:80], f"a frame that is in the picture: {there}{more}")


# Annotations


def _of_annotation(note: Mapping[str, Any], subject: Subject) -> Wish:
    if note.get("motivation") not in ("editing", ["editing"]):
        raise _no("/motivation", repr(note.get("motivation"))[:60], "'editing'")
    region = _target(_only(note.get("target"), "/target"), subject)
    body = _only(note.get("body"), "/body")
    edge = note.get(OWN_EDGE)
    where = ("/body/source", f"/{OWN_EDGE}")
    if isinstance(body, str):
        body = {"type": "SpecificResource", "source": body}
    if not isinstance(body, Mapping) or body.get("purpose", "editing") != "editing":
        raise _no("/body", repr(body)[:60], "a body whose purpose is 'editing'")
    if body.get("type") == "TextualBody":
        return _wish(_use(body.get("value"), "/body/value", None), region, None, edge, subject, where)
    if body.get("type") != "SpecificResource":
        raise _no("/body/type", repr(body.get("type"))[:60], "a TextualBody or a SpecificResource")
    source = _address(body.get("source"), "/body/source")
    match = PICTURE.fullmatch(source)
    named: Any = source
    if match is not None and match[2] is not None:
        named = int(match[2])
        if int(match[1]) != subject.job:
            raise _no("/body/source", repr(source)[:80], f"a frame of job {subject.job}")
    return _wish(Use.FRAME, region, named, edge, subject, where)


def _only(value: Any, where: str) -> Any:
    if isinstance(value, list):
        if len(value) != 1:
            raise _no(where, f"{len(value)} of them", "one")
        return value[0]
    return value


def _address(value: Any, where: str) -> str:
    """An IRI, or the ``id`` of what is described in its place."""
    found = value.get("id") if isinstance(value, Mapping) else value
    if not isinstance(found, str):
        raise _no(where, repr(value)[:60], "an address")
    return unquote(found)


def _target(target: Any, subject: Subject) -> Region:
    if isinstance(target, str):
        target = {"source": target}
    if not isinstance(target, Mapping):
        raise _no("/target", repr(target)[:60], "the picture with a selector")
    source = _address(target.get("source", target.get("id")), "/target/source")
    match = PICTURE.fullmatch(source)
    if match is None or match[2] is not None or int(match[1]) != subject.job:
        raise _no("/target/source", repr(source)[:80], f"the picture job-{subject.job}")
    if target.get("selector") is None and match[3]:
        return region_of_fragment(match[3], subject.size)
    selector = _only(target.get("selector"), "/target/selector")
    kind = selector.get("type") if isinstance(selector, Mapping) else None
    value = selector.get("value") if isinstance(selector, Mapping) else None
    if kind == "SvgSelector" and isinstance(value, str):
        return region_of_svg(value)
    if kind == "FragmentSelector" and isinstance(value, str):
        return region_of_fragment(value, subject.size)
    raise _no("/target/selector", repr(kind)[:60], "an SvgSelector or a FragmentSelector with its value")


def _no(where: str, found: str, expected: str) -> UsageError:
    return UsageError(f"{where}: found {found}; expected {expected}")
