"""A plan in plain lines, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from nearfar.bracket.model import Bracket
from nearfar.bracket.units import show_f_number, show_length

MOST_LINES = 60
"""Longest table of frames; in a longer bracket only its ends are listed."""

MOVED = {"ring": "focus ring", "rail": "rail", "stage": "microscope stage"}


def duration(seconds: float) -> str:
    """A length of time for people."""
    if seconds < 90:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def space(size: int) -> str:
    """Bytes for people, in decimal units, as cards are sold."""
    for unit, factor in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= 0.9995 * factor:
            return f"{size / factor:.3g} {unit}" if size < 999.5 * factor else f"{size / factor:.0f} {unit}"
    return f"{size} B"


def figures(plan: Bracket) -> Iterator[tuple[str, str]]:
    """Each figure of the plan: what it is, and its value in words."""
    yield "frames", f"{plan.frames} with the {MOVED[plan.moves]}, overlap {100 * plan.asked.overlap:.0f} %"
    yield "step", _step(plan)
    yield "sharp means", plan.depth_of_field
    yield "effective f-number", show_f_number(plan.effective_f_number)
    yield "diffraction", f"Airy disc {plan.airy_um:.1f} µm on the sensor{_in_pixels(plan, plan.airy_um)}"
    if plan.blur_um is not None:
        yield (
            "blur at the seams",
            f"{plan.blur_um:.1f} µm, defocus and diffraction by root of squares{_in_pixels(plan, plan.blur_um)}",
        )
    if plan.best_f_number is not None:
        yield "best aperture", f"{show_f_number(plan.best_f_number)} for as many frames (least of that sum)"
    if plan.hyperfocal is not None:
        yield "hyperfocal distance", show_length(plan.hyperfocal)
    if plan.one_shot is not None:
        shot = plan.one_shot
        text = (
            f"{show_f_number(shot.f_number)} would be needed, its ends blurred to {shot.blur_um:.0f} µm; "
            f"the best is {show_f_number(shot.best_f_number)} with {shot.best_blur_um:.0f} µm"
        )
        yield "in one shot", text
    if plan.seconds:
        yield "time", duration(plan.seconds)
    if plan.bytes is not None:
        kind = "" if plan.asked.frame_bytes is not None else f" as {plan.asked.file}"
        yield "card space", space(plan.bytes) + kind


def _step(plan: Bracket) -> str:
    if plan.frames < 2:
        return "none: one frame does"
    return show_length(plan.step) + (" behind the lens" if plan.moves == "ring" else " of travel")


def _in_pixels(plan: Bracket, size_um: float) -> str:
    return "" if plan.pixel_um is None else f", {size_um / plan.pixel_um:.1f} pixels"


def columns(plan: Bracket) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows of the table of frames."""
    if plan.moves == "ring":
        head: tuple[str, ...] = ("frame", "focus scale", "from the lens", "sharp from", "to")
        rows: list[tuple[str, ...]] = [
            (
                str(s.number),
                show_length(s.mark or s.distance, digits=4),
                show_length(s.distance, digits=4),
                show_length(s.near),
                show_length(s.far),
            )
            for s in plan.steps
        ]
        return head, rows
    head = ("frame", "travel", "depth of field")
    return head, [(str(s.number), show_length(s.travel), show_length(s.depth)) for s in plan.steps]


def lines(plan: Bracket) -> Iterator[str]:
    """The whole plan."""
    for name, value in figures(plan):
        yield f"{name:<20} {value}"
    yield ""
    head, rows = columns(plan)
    yield "".join(f"{cell:>16}" for cell in head)
    shown = rows if len(rows) <= MOST_LINES else [*rows[:5], ("...",) * len(head), *rows[-3:]]
    for row in shown:
        yield "".join(f"{cell:>16}" for cell in row)
    if plan.choices:
        yield ""
        yield from _other_apertures(plan)
    for text in plan.warnings:
        yield f"careful: {text}"
    for text in plan.remarks:
        yield f"note: {text}"


def _other_apertures(plan: Bracket) -> Iterator[str]:
    yield "".join(f"{cell:>16}" for cell in ("aperture", "frames", "diffraction", "blur at seams"))
    for c in plan.choices:
        cells = (show_f_number(c.f_number), str(c.frames), f"{c.airy_um:.1f} µm", f"{c.blur_um:.1f} µm")
        yield "".join(f"{cell:>16}" for cell in cells)
