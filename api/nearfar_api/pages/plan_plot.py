"""A plan as a drawing: what each frame has sharp, from near to far. SVG in the page, in its colours, without a script."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from nearfar.bracket import Bracket
from nearfar.bracket.units import show_length

MOST = 80
"""Frames that are drawn; of more only every second, third, ... is."""
LEFT, RIGHT, TOP, BOTTOM = 34.0, 10.0, 8.0, 26.0
TICK = 58.0
"""Least distance of two marks on the scale."""
MANTISSAS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)


@dataclass(frozen=True, kw_only=True)
class Scale:
    """From a distance in mm to a place on the drawing, and marks on it."""

    at: Callable[[float], float]
    marks: list[tuple[float, str]]


def plot(plan: Bracket, width: int, *, shot: Sequence[float] = (), missed: Collection[int] = ()) -> Markup:
    """The drawing.

    Parameters
    ----------
    width
        Of the drawing, in pixels.
    shot
        Where frames that were shot are focused: mm, from where the plan's steps count.
    missed
        Numbers of planned frames that were not shot.
    """
    every = math.ceil(plan.frames / MOST)
    steps = [s for k, s in enumerate(plan.steps) if k % every == 0 or k == plan.frames - 1]
    tall = max(3.0, min(16.0, 420.0 / len(steps)))
    high = TOP + tall * len(steps) + (14.0 if shot else 0.0) + BOTTOM
    scale = _scale(plan, width)
    parts = [_grid(scale, high)]
    for k, step in enumerate(steps):
        y, kind = TOP + tall * k, " missed" if step.number in missed else ""
        a, b, at = scale.at(step.near), scale.at(step.far), scale.at(step.distance)
        parts.append(
            f'<rect class="dof{kind}" x="{a:.1f}" y="{y + tall * 0.15:.1f}" width="{max(b - a, 1):.1f}"'
            f' height="{tall * 0.7:.1f}"/>'
        )
        parts.append(f'<path class="at{kind}" d="M{at:.1f} {y:.1f}v{tall:.1f}"/>')
        if _numbered(k, len(steps), tall):
            parts.append(
                f'<text x="{LEFT - 8}" y="{y + tall / 2 + 4:.1f}" text-anchor="end">{step.number}</text>'
            )
    if shot:
        y = TOP + tall * len(steps) + 2
        ticks = "".join(f"M{scale.at(distance):.1f} {y:.1f}v10" for distance in shot)
        parts.append(f'<path class="shot" d="{ticks}"/>')
    return Markup(  # noqa: S704 - figures, and a sentence that is escaped
        f'<svg viewBox="0 0 {width} {high:.0f}" role="img" aria-label="{escape(_said(plan))}">{"".join(parts)}</svg>'
    )


def _said(plan: Bracket) -> str:
    first, last = plan.steps[0], plan.steps[-1]
    text = f"Frame {first.number} is sharp from {show_length(first.near)} to {show_length(first.far)}"
    if plan.frames > 1:
        text += f", frame {last.number} from {show_length(last.near)} to {show_length(last.far)}"
    return text + "; all others lie between, as the table says"


def _numbered(k: int, count: int, tall: float) -> bool:
    every = max(1, math.ceil(14 / tall))
    return (k % every == 0 and (k == 0 or count - 1 - k >= every)) or k == count - 1


def _grid(scale: Scale, high: float) -> str:
    lines = "".join(f"M{x:.1f} {TOP}V{high - BOTTOM + 4:.1f}" for x, _ in scale.marks)
    texts = "".join(
        f'<text x="{x:.1f}" y="{high - 6:.1f}" text-anchor="middle">{escape(text)}</text>'
        for x, text in scale.marks
    )
    return f'<path class="grid" d="{lines}"/>{texts}'


def _scale(plan: Bracket, width: int) -> Scale:
    near, far = min(s.near for s in plan.steps), max(s.far for s in plan.steps)
    left, right = LEFT, width - RIGHT
    if plan.moves == "ring" and far > 1.5 * near:  # even in what lenses do: one over the distance

        def at(distance: float) -> float:
            whole = 1 / near - 1 / far
            share = (1 / near - 1 / distance) / whole if distance > 0 else 0.0
            return left + (right - left) * min(1.0, max(0.0, share))

        powers = range(math.floor(math.log10(near)), math.ceil(math.log10(min(far, 1e7))) + 1)
        wanted = [m * 10.0**p for p in powers for m in MANTISSAS if near <= m * 10.0**p <= far]
        wanted += [math.inf] if math.isinf(far) else []
    else:
        span = far - near

        def at(distance: float) -> float:
            return left + (right - left) * min(1.0, max(0.0, (distance - near) / span))

        step = round_step(span * TICK / (right - left))
        wanted = [k * step for k in range(math.ceil(near / step - 1e-9), math.floor(far / step + 1e-9) + 1)]
    return Scale(at=at, marks=_apart([(at(d), _written(d, far)) for d in wanted], left, right))


def round_step(least: float) -> float:
    """The next one of 1, 2, 5, 10, ..."""
    power: float = 10.0 ** math.floor(math.log10(least))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= least * (1 - 1e-9))


def _written(distance: float, far: float) -> str:
    if math.isinf(distance):
        return "∞"
    size = distance if math.isinf(far) else max(abs(distance), 1e-9)
    factor, unit = (0.001, "m") if size >= 1000 else (0.1, "cm") if size >= 100 else (1.0, "mm")
    if math.isfinite(far) and far < 1:
        factor, unit = 1000.0, "µm"
    return f"{round(distance * factor, 6):g} {unit}"


def _apart(marks: list[tuple[float, str]], left: float, right: float) -> list[tuple[float, str]]:
    """Marks that do not run into each other, from the far end, and not over the edges."""
    kept: list[tuple[float, str]] = []
    for x, text in reversed(marks):
        inside = left + 8 <= x <= right - (0 if text == "∞" else 12)
        if inside and (not kept or kept[-1][0] - x >= TICK):
            kept.append((x, text))
    return kept[::-1]
