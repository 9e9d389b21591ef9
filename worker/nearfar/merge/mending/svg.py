"""Regions as the Web Annotation Data Model writes them: an SVG shape, or a media fragment ``xywh=``.

Of SVG (W3C, SVG 1.1, sections 8.3 and 9) the elements that draw closed shapes are read: path, polygon, polyline, rect,
circle and ellipse. Curves become straight pieces. Whatever would move or hide a shape is refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from xml.etree import ElementTree as ET

from nearfar.errors import UsageError
from nearfar.merge.mending.region import Point, Region

LARGEST = 128 << 10
"""The most characters of a selector."""
PIECES = 16
"""Straight pieces of a curve, and of a quarter of an ellipse."""
NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
TOKENS = re.compile(rf"([A-Za-z])|({NUMBER})|[\s,]+|(.)", re.DOTALL)
FRAGMENT = re.compile(r"(?:.*[#&?])?xywh=(?:(pixel|percent):)?([^&]*)")
VALUES = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7}
GROUPS = ("svg", "g")
IDLE = ("title", "desc", "metadata")


def region_of_svg(text: str) -> Region:
    """Read the shapes of an SVG selector. Raises `UsageError`."""
    if len(text) > LARGEST:
        raise _no(f"{len(text)} characters", f"at most {LARGEST}")
    if "<!" in text or "<?" in text.lstrip()[5:]:
        raise _no("a declaration, comment or instruction", "elements of SVG alone")
    try:
        root = ET.fromstring(text)  # noqa: S314 - nothing is declared, so nothing can be expanded
    except ET.ParseError as error:
        raise _no(f"no XML ({error})", "e.g. <svg><polygon points='10,10 90,10 50,80'/></svg>") from error
    polygons = tuple(polygon for polygon in _shapes(root) if len(polygon) >= 3)
    if not polygons:
        raise _no("no shape with an inside", "a path, polygon, rect, circle or ellipse")
    return Region(polygons=polygons)


def region_of_fragment(text: str, size: tuple[int, int]) -> Region:
    """Read the box of a fragment selector (W3C Media Fragments URI 1.0, section 4.2.2). Raises `UsageError`."""
    match = FRAGMENT.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        x, y, width, height = (float(part) for part in match[2].split(","))
    except ValueError as error:
        raise _no(repr(text[:60]), "xywh=X,Y,WIDTH,HEIGHT") from error
    if match[1] == "percent":
        x, width = x * size[0] / 100, width * size[0] / 100
        y, height = y * size[1] / 100, height * size[1] / 100
    return Region.of_box(x, y, width, height)


def svg_of(region: Region) -> str:
    """Write a region as the value of an SVG selector."""
    parts = []
    for polygon in region.polygons:
        corners = " L ".join(f"{_short(x)} {_short(y)}" for x, y in polygon)
        parts.append(f"M {corners} Z")
    return f'<svg xmlns="http://www.w3.org/2000/svg"><path d="{" ".join(parts)}"/></svg>'


def _short(value: float) -> str:
    return repr(int(value)) if value == int(value) else repr(round(value, 4))


def _no(found: str, expected: str) -> UsageError:
    return UsageError(f"region: found {found}; expected {expected}")


def _shapes(element: ET.Element) -> Iterator[tuple[Point, ...]]:
    name = element.tag.rpartition("}")[2]
    if name in IDLE:
        return
    for refused in ("transform", "clip-path", "mask", "viewBox"):
        if refused in element.attrib:
            raise _no(f"the attribute {refused}", "shapes in pixels of the picture")
    if name in GROUPS:
        for child in element:
            yield from _shapes(child)
        return
    known = {
        "path": lambda: Path(element.get("d", "")).polygons(),
        "polygon": lambda: [_points(element.get("points", ""))],
        "polyline": lambda: [_points(element.get("points", ""))],
        "rect": lambda: [_rect(element)],
        "circle": lambda: [_ellipse(element, "r", "r")],
        "ellipse": lambda: [_ellipse(element, "rx", "ry")],
    }
    if name not in known:
        raise _no(f"the element {name[:40]!r}", "a path, polygon, rect, circle or ellipse")
    yield from known[name]()


def _attribute(element: ET.Element, name: str) -> float:
    text = element.get(name, "0").removesuffix("px")
    if re.fullmatch(NUMBER, text.strip()) is None:
        raise _no(f"{name}={text[:40]!r}", "a number of pixels")
    return float(text)


def _points(text: str) -> tuple[Point, ...]:
    numbers = [float(token) for token in _tokens(text) if not token.isalpha()]
    if len(numbers) % 2:
        raise _no(f"{len(numbers)} coordinates", "pairs of x and y")
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))


def _rect(element: ET.Element) -> tuple[Point, ...]:
    x, y, width, height = (_attribute(element, name) for name in ("x", "y", "width", "height"))
    return Region.of_box(x, y, width, height).polygons[0]


def _ellipse(element: ET.Element, across: str, down: str) -> tuple[Point, ...]:
    cx, cy = _attribute(element, "cx"), _attribute(element, "cy")
    rx, ry = _attribute(element, across), _attribute(element, down)
    turns = (2 * math.pi * k / (4 * PIECES) for k in range(4 * PIECES))
    return tuple((cx + rx * math.cos(t), cy + ry * math.sin(t)) for t in turns)


def _tokens(text: str) -> list[str]:
    found = []
    for match in TOKENS.finditer(text):
        if match[3]:
            raise _no(f"{match[3]!r} among coordinates", "numbers and commands of SVG")
        if match[1] or match[2]:
            found.append(match[1] or match[2])
    return found


class Path:
    """The data of an SVG path, turned into polygons; each sub-path counts as closed, as in filling."""

    def __init__(self, text: str) -> None:
        self._tokens = _tokens(text)
        self._done: list[tuple[Point, ...]] = []
        self._open: list[Point] = []
        self._at: Point = (0.0, 0.0)
        self._control: Point | None = None
        self._before = ""

    def polygons(self) -> list[tuple[Point, ...]]:
        """One polygon for each sub-path."""
        place, command = 0, ""
        while place < len(self._tokens):
            if self._tokens[place].isalpha():
                command = self._tokens[place]
                place += 1
                if command in "Zz":
                    self._close()
                    continue
            count = VALUES.get(command.upper(), 0)
            values = self._tokens[place : place + count]
            if count == 0 or len(values) < count or any(value.isalpha() for value in values):
                raise _no(
                    f"a path that cannot be read near {' '.join(self._tokens[place - 1 : place + 3])!r}",
                    "SVG",
                )
            self._draw(command, [float(value) for value in values])
            place += count
            command = {"M": "L", "m": "l"}.get(command, command)
        self._close()
        return self._done

    def _close(self) -> None:
        if self._open:
            self._at = self._open[0]
            self._done.append(tuple(self._open))
        self._open, self._before = [], ""

    def _draw(self, command: str, values: Sequence[float]) -> None:
        kind = command.upper()
        dx, dy = self._at if command.islower() else (0.0, 0.0)
        if kind == "M":
            self._close()
        if not self._open and kind != "M":
            self._open = [self._at]
        if kind == "H":
            to = [(values[0] + dx, self._at[1])]
        elif kind == "V":
            to = [(self._at[0], values[0] + dy)]
        elif kind == "A":
            to = [(values[5] + dx, values[6] + dy)]
        else:
            to = [(x + dx, y + dy) for x, y in zip(values[::2], values[1::2], strict=True)]
        if kind == "A":
            self._open += _arc(self._at, values, to[0])
        elif kind in "CSQT":
            self._open += self._curve(kind, to)
        else:
            self._open += to
        self._at, self._before = to[-1], kind

    def _curve(self, kind: str, to: list[Point]) -> list[Point]:
        smooth = (self._before in "CS" if kind == "S" else self._before in "QT") and bool(self._before)
        if kind in "ST":
            x, y = self._control if smooth and self._control else self._at
            to = [(2 * self._at[0] - x, 2 * self._at[1] - y), *to]
        self._control = to[-2]
        return _bezier([self._at, *to])


def _bezier(points: Sequence[Point]) -> list[Point]:
    """Points along a Bézier curve of any degree, without its first one (de Casteljau's algorithm)."""
    found = []
    for step in range(1, PIECES + 1):
        t, row = step / PIECES, list(points)
        while len(row) > 1:
            row = [(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])) for a, b in pairwise(row)]
        found.append(row[0])
    return found


def _arc(start: Point, values: Sequence[float], end: Point) -> list[Point]:
    """Points along an elliptical arc, without its first one (SVG 1.1, appendices F.6.5 and F.6.6)."""
    rx, ry, turn = abs(values[0]), abs(values[1]), math.radians(values[2])
    large, sweep = values[3] != 0, values[4] != 0
    if rx == 0 or ry == 0 or start == end:
        return [end]
    cos, sin = math.cos(turn), math.sin(turn)
    hx, hy = (start[0] - end[0]) / 2, (start[1] - end[1]) / 2
    x, y = cos * hx + sin * hy, -sin * hx + cos * hy
    grow = math.sqrt(max(1.0, (x / rx) ** 2 + (y / ry) ** 2))
    rx, ry = rx * grow, ry * grow
    under = max(0.0, (rx * ry) ** 2 / ((rx * y) ** 2 + (ry * x) ** 2) - 1)
    root = math.sqrt(under) * (-1 if large == sweep else 1)
    cx, cy = root * rx * y / ry, -root * ry * x / rx
    first = math.atan2((y - cy) / ry, (x - cx) / rx)
    way = math.atan2((-y - cy) / ry, (-x - cx) / rx) - first
    way += 2 * math.pi * ((way < 0) - (way > 0)) if (way < 0) == sweep else 0
    mx, my = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    found = []
    for step in range(1, 2 * PIECES + 1):
        at = first + way * step / (2 * PIECES)
        px, py = cx + rx * math.cos(at), cy + ry * math.sin(at)
        found.append((cos * px - sin * py + mx, sin * px + cos * py + my))
    found[-1] = end
    return found
