"""The plot beside the report: shift, scale, gain, sharpness and confidence over the frames."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

WIDTH, ROW, LEFT, RIGHT, TOP = 1200, 170, 150, 40, 50
INK, FAINT, PAPER = (40, 44, 52), (214, 216, 214), (252, 251, 248)
LINES = ((28, 98, 132), (186, 104, 38))
LEFT_OUT = (176, 60, 60)


@dataclass(frozen=True, kw_only=True)
class Strip:
    """One row of the plot: named series over the frames, with None for a frame that has no value."""

    title: str
    unit: str
    series: tuple[tuple[str, tuple[float | None, ...]], ...]
    low: float | None = None
    high: float | None = None


def strips(report: Mapping[str, Any]) -> list[Strip]:
    """The rows of the plot, from a report's JSON object."""
    frames = report["frames"]

    def values(get: Any) -> tuple[float | None, ...]:
        return tuple(None if f["pose"] is None else float(get(f)) for f in frames)

    return [
        Strip(
            title="shift",
            unit="px",
            series=(("x", values(lambda f: f["shift"][0])), ("y", values(lambda f: f["shift"][1]))),
        ),
        Strip(title="scale", unit="%", series=(("", values(lambda f: 100 * (f["scale"] - 1))),)),
        Strip(title="gain", unit="EV", series=(("", values(lambda f: f["gain_ev"])),)),
        Strip(
            title="sharpness",
            unit="share",
            series=(
                ("best in", values(lambda f: f["share"])),
                ("fine detail", tuple(float(f["sharpness"]) for f in frames)),
            ),
            low=0.0,
        ),
        Strip(
            title="confidence",
            unit="",
            series=(("", tuple(float(f["confidence"]) for f in frames)),),
            low=0.0,
            high=1.0,
        ),
    ]


def _range(strip: Strip) -> tuple[float, float]:
    known = [v for _, line in strip.series for v in line if v is not None and math.isfinite(v)]
    low = min(known, default=0.0) if strip.low is None else strip.low
    high = max(known, default=1.0) if strip.high is None else strip.high
    if high - low < 1e-6:
        low, high = low - 0.5, high + 0.5
    room = 0.0 if strip.low is not None and strip.high is not None else 0.08 * (high - low)
    return low - (room if strip.low is None else 0), high + room


def _number(value: float, span: float) -> str:
    digits = max(0, min(5, 2 - math.floor(math.log10(span)) if span > 0 else 2))
    return f"{value:.{digits}f}"


def _draw_strip(
    draw: ImageDraw.ImageDraw, font: Any, strip: Strip, top: int, count: int, left_out: Sequence[bool]
) -> None:
    low, high = _range(strip)
    bottom = top + ROW - 40

    def x(k: int) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (k + 0.5) / count

    def y(value: float) -> float:
        return bottom - (bottom - top) * (value - low) / (high - low)

    for step in range(5):
        value = low + (high - low) * step / 4
        draw.line([(LEFT, y(value)), (WIDTH - RIGHT, y(value))], fill=FAINT)
        draw.text((LEFT - 8, y(value)), _number(value, high - low), fill=INK, font=font, anchor="rm")
    title = f"{strip.title} ({strip.unit})" if strip.unit else strip.title
    draw.text((12, top - 22), title, fill=INK, font=font)
    for k, out in enumerate(left_out):
        if out:
            draw.line([(x(k), top), (x(k), bottom)], fill=LEFT_OUT, width=2)
    for (name, line), colour in zip(strip.series, LINES, strict=False):
        points = [(x(k), y(v)) for k, v in enumerate(line) if v is not None]
        if len(points) > 1:
            draw.line(points, fill=colour, width=2)
        for px, py in points:
            draw.ellipse([px - 3, py - 3, px + 3, py + 3], fill=colour)
        if name and points:
            place = 200 + 120 * [n for n, _ in strip.series].index(name)
            draw.line([(place, top - 14), (place + 24, top - 14)], fill=colour, width=3)
            draw.text((place + 30, top - 22), name, fill=INK, font=font)


def plot_frames(report: Mapping[str, Any]) -> Image.Image:
    """Draw the plot of a report's frames, 1200 pixels wide."""
    from PIL import Image, ImageDraw, ImageFont

    rows = strips(report)
    frames = report["frames"]
    picture = Image.new("RGB", (WIDTH, TOP + ROW * len(rows) + 30), PAPER)
    draw = ImageDraw.Draw(picture)
    font = ImageFont.load_default(15)
    for k, strip in enumerate(rows):
        _draw_strip(draw, font, strip, TOP + ROW * k, len(frames), [not f["used"] for f in frames])
    step = max(1, math.ceil(len(frames) / 24))
    below = TOP + ROW * len(rows) - 34
    for k in range(0, len(frames), step):
        at = LEFT + (WIDTH - LEFT - RIGHT) * (k + 0.5) / len(frames)
        draw.text((at, below), str(k + 1), fill=INK, font=font, anchor="ma")
    words = "frames in their order; a red line marks one that is left out"
    draw.text((WIDTH - RIGHT, below + 24), words, fill=INK, font=font, anchor="ra")
    return picture
