"""One figure of all frames of a stack as a drawing. SVG in the page, in its colours, without a script.

Each frame is a link over the whole height of the drawing, so that it is easy to hit and the keyboard reaches it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from nearfar_api.pages.plan_plot import round_step
from nearfar_api.pages.stacks import Kind, Row, Series

WIDTH, HIGH = 380.0, 160.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 8.0, 20.0, 20.0
TICK_X, TICK_Y = 34.0, 26.0
"""Least distances of two marks on the scales."""
SMALL, LARGE = 2.5, 4.5
"""Radius of a usual value and of one that is far off."""


@dataclass(frozen=True, kw_only=True)
class Frame:
    """Where a frame's figure is drawn; no height if it has none."""

    row: Row
    x: float
    y: float | None
    text: str
    off: bool


def plot(series: Series, rows: Sequence[Row], *, target: str, out: Collection[str] = ()) -> Markup:
    """The drawing of one series.

    Parameters
    ----------
    rows
        The frames, one for each value.
    target
        Where the links of frames lead: with a frame's number the name of a place in the page.
    out
        Names of frames that are left out.
    """
    low, high = _range(series)
    frames = _frames(series, rows, low, high)
    parts = [_grid(series.kind, len(rows), low, high), f'<path class="run" d="{_line(frames)}"/>']
    wide = (WIDTH - LEFT - RIGHT) / len(rows)
    parts += [_link(frame, target, wide, frame.row.name in out) for frame in frames]
    return Markup(  # noqa: S704 - figures and names, and those are escaped
        f'<svg viewBox="0 0 {WIDTH:.0f} {HIGH:.0f}" role="group" aria-label="{escape(_said(series))}">'
        f"{''.join(parts)}</svg>"
    )


def _said(series: Series) -> str:
    known = [value for value in series.values if value is not None]
    low, high = (_written(value, series.kind) for value in (min(known), max(known)))
    return f"{series.kind.title} of each frame, from {low} to {high}"


def _written(value: float, kind: Kind) -> str:
    return f"{value:.{kind.digits}f}{' ' + kind.unit if kind.unit else ''}"


def _range(series: Series) -> tuple[float, float]:
    """What the drawing shows, with room for the marks; not so narrow that what no eye sees fills it."""
    known = [value for value in series.values if value is not None]
    low, high = min(known), max(known)
    room = max(0.08 * (high - low), (2 * series.kind.least - (high - low)) / 2)
    return low - room, high + room


def _across(number: int, count: int) -> float:
    """The middle of a frame's column."""
    return LEFT + (number - 0.5) * (WIDTH - LEFT - RIGHT) / count


def _up(value: float, low: float, high: float) -> float:
    return HIGH - BOTTOM - (value - low) / (high - low) * (HIGH - BOTTOM - TOP)


def _frames(series: Series, rows: Sequence[Row], low: float, high: float) -> list[Frame]:
    return [
        Frame(
            row=row,
            x=_across(place, len(rows)),
            y=None if value is None else _up(value, low, high),
            text="nothing" if value is None else _written(value, series.kind),
            off=off,
        )
        for place, (row, value, off) in enumerate(zip(rows, series.values, series.outliers, strict=True), 1)
    ]


def _line(frames: Sequence[Frame]) -> str:
    """Through what is known; broken if a frame has no figure."""
    path, pen = "", "M"
    for frame in frames:
        if frame.y is None:
            pen = "M"
        else:
            path, pen = f"{path}{pen}{frame.x:.1f} {frame.y:.1f}", "L"
    return path


def _link(frame: Frame, target: str, wide: float, out: bool) -> str:
    said = f"frame {frame.row.number}: {frame.text}{', far off' if frame.off else ''}"
    shown = ""
    if frame.y is not None:
        shown = f'<circle cx="{frame.x:.1f}" cy="{frame.y:.1f}" r="{LARGE if frame.off else SMALL}"/>'
    kinds = " ".join(["frame", *["off"] * frame.off, *["out"] * out])
    return (
        f'<a class="{kinds}" href="#{target}-{frame.row.number}">'
        f"<title>{escape(frame.row.name)}, {said}</title>"
        f'<rect class="hit" x="{frame.x - wide / 2:.1f}" y="{TOP}" width="{wide:.1f}" height="{HIGH - BOTTOM - TOP}"/>'
        f'{shown}<text class="told" aria-hidden="true" x="{WIDTH - RIGHT}" y="12" text-anchor="end">{said}</text></a>'
    )


def _grid(kind: Kind, count: int, low: float, high: float) -> str:
    step = round_step((high - low) * TICK_Y / (HIGH - BOTTOM - TOP))
    marks = [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
    lines = "".join(f"M{LEFT} {_up(value, low, high):.1f}H{WIDTH - RIGHT}" for value in marks)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    texts = [(LEFT - 6, _up(value, low, high) + 4, "end", f"{value:.{digits}f}") for value in marks]
    every = max(1, round(round_step(TICK_X * count / (WIDTH - LEFT - RIGHT))))
    texts += [
        (_across(number, count), HIGH - 6, "middle", str(number))
        for number in range(1, count + 1)
        if number % every == 0 or (number == 1 and every > 2)
    ]
    written = "".join(
        f'<text aria-hidden="true" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{text}</text>'
        for x, y, anchor, text in texts
    )
    return f'<path class="grid" d="{lines}"/>{written}'
