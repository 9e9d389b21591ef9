"""A plan as one page for the field: read on a phone without a network, or printed and ticked off.

Plain HTML and CSS in one text, nothing fetched, no script.
"""

from __future__ import annotations

import math
from html import escape

from nearfar import __version__
from nearfar.bracket.model import Bracket
from nearfar.bracket.units import show_f_number, show_length
from nearfar.bracket.words import MOVED, columns, duration, figures, space

MARK = '<meta name="generator" content="Nearfar'
"""What marks our own cards, so that nothing else is overwritten."""

BETWEEN = ' class="between"'
"""Class of rows that paper has no room for."""

SAFETY = tuple(
    """\
Never point a lens at or near the sun without a filter made for that before the lens: an optical finder blinds at once.
Lamps, lasers and ultraviolet light at a microscope harm eyes and skin: never look into a beam or its reflection.
Keep shields closed, and switch the light off before you reach into its path.
A motorised rail can crush: set end stops, start away from a live subject, keep fingers clear and a hand on the switch.
Leave animals, plants and their places as they were found.
Local rules and the instructions of those who made the equipment go before anything said here.""".splitlines()
)

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 18px/1.4 system-ui, sans-serif; color: #111; background: #fff; }
body { max-width: 44rem; margin: 0 auto; padding: 1rem; }
h1 { font-size: 1.3rem; margin: 0 0 .5rem; }
h2 { font-size: 1.1rem; margin: 1.5rem 0 .3rem; border-bottom: 2px solid #111; }
.big { display: flex; flex-wrap: wrap; gap: .5rem; margin: 0; padding: 0; list-style: none; }
.big li { flex: 1 1 8rem; border: 2px solid #111; border-radius: .4rem; padding: .4rem .6rem; }
.big b { display: block; font-size: 2rem; line-height: 1.1; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem 1rem; margin: .5rem 0; }
dt { color: #444; } dd { margin: 0; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: right; padding: .35rem .4rem; border-bottom: 1px solid #999; }
th:first-child, td:first-child { text-align: left; }
.steps td:nth-child(3) { font-weight: 700; font-size: 1.25rem; white-space: nowrap; }
thead { display: table-header-group; } tr { break-inside: avoid; }
input[type=checkbox] { width: 1.6rem; height: 1.6rem; margin: 0; vertical-align: middle; }
.safety { border: 3px solid #111; padding: .3rem .8rem; break-inside: avoid; }
ul { padding-left: 1.2rem; margin: .3rem 0; }
@media (max-width: 30rem) {
  body { padding: .8rem; } th, td { padding: .35rem .2rem; }
  dl { grid-template-columns: 1fr; } dt { margin-top: .4rem; }
}
.printed { display: none; }
@page { margin: 9mm; }
@media print {
  body { font-size: 8pt; line-height: 1.22; max-width: none; padding: 0; }
  h1 { font-size: 12pt; margin: 0 0 1mm; }
  h2 { font-size: 9pt; margin: 2mm 0 1mm; border-width: 1px; break-after: avoid; }
  ul { margin: 0; padding-left: 1.1em; }
  .big { gap: 1.5mm; padding: 0; }
  .big li { border-width: 1px; padding: .6mm 2mm; }
  .big li { flex-basis: 20mm; }
  .big b { font-size: 12pt; white-space: nowrap; }
  .safety { border-width: 2px; padding: 1mm 2mm; }
  .safety ul, .notes { columns: 2; column-gap: 6mm; }
  .two { display: grid; grid-template-columns: 1fr 1fr; gap: 0 6mm; }
  dl { gap: 0 3mm; margin: 0; }
  th, td { padding: .35mm 1mm; }
  th { vertical-align: bottom; }
  input[type=checkbox] { width: 3mm; height: 3mm; }
  .steps td:nth-child(3) { font-size: inherit; }
  .run2 { columns: 2; column-gap: 6mm; }
  .run3 { columns: 3; column-gap: 5mm; }
  .steps td { white-space: nowrap; }
  .between { display: none; }
  .printed { display: block; margin: 0 0 1mm; }
}
"""
MOST_PRINTED = 100
"""Frames on paper: what one page holds beside all else. Of more, only every second, third, ... is printed."""


def card(plan: Bracket, title: str = "Focus bracket") -> str:
    """The page. ``title`` may hold anything; it is escaped."""
    head, rows = _columns(plan)
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f'{MARK} {escape(__version__)}">',
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body><main>",
        f"<h1>{escape(title)}</h1>",
        _big(plan),
        "<h2>Safety first</h2>",
        f'<div class="safety">{_list(SAFETY)}</div>',
        "<h2>Frames</h2>",
        _table(head, rows),
        '<div class="two"><div><h2>Figures</h2>',
        "<dl>"
        + "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in figures(plan))
        + "</dl></div>",
        "<div><h2>Other apertures</h2>" + _apertures(plan) + "</div>" if plan.choices else "",
        "</div>",
        "<h2>Careful</h2>" + _list(plan.warnings) if plan.warnings else "",
        '<h2>Notes</h2><div class="notes">' + _list(plan.remarks) + "</div>" if plan.remarks else "",
        "</main></body></html>",
    ]
    return "\n".join(part for part in parts if part) + "\n"


def _big(plan: Bracket) -> str:
    """The few numbers that are read at arm's length."""
    entries = [(str(plan.frames), f"frames, {MOVED[plan.moves]}")]
    if plan.asked.f_number is not None:
        entries.append((show_f_number(plan.asked.f_number), "aperture"))
    if plan.asked.magnification is not None:
        entries.append((f"{plan.asked.magnification:g}×", "magnification"))
    if plan.moves != "ring" and plan.frames > 1:
        entries.append((dict(figures(plan))["step"].removesuffix(" of travel"), "each step"))
    if plan.moves != "ring":
        entries.append((show_length(plan.steps[0].depth), "depth of field"))
    if plan.seconds:
        entries.append((duration(plan.seconds), "in all"))
    if plan.bytes is not None:
        entries.append((space(plan.bytes), "on the card"))
    return (
        '<ul class="big">' + "".join(f"<li><b>{escape(a)}</b>{escape(b)}</li>" for a, b in entries) + "</ul>"
    )


def _columns(plan: Bracket) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """The table of frames, narrow enough for a phone."""
    head, rows = columns(plan)
    if plan.moves != "ring":  # the depth of field is the same for all
        return head[:2], [row[:2] for row in rows]
    return (head[0], head[1], "sharp, from the lens"), [(r[0], r[1], _from_to(r[3], r[4])) for r in rows]


def _from_to(near: str, far: str) -> str:
    """Both ends, with the unit once if it is the same."""
    value, _, unit = near.partition(" ")
    return f"{value if far.endswith(f' {unit}') else near} to {'∞' if far == 'infinity' else far}"


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """The table of frames, on paper in as many columns as it needs, and thinned if it is too long."""
    every = math.ceil(len(rows) / MOST_PRINTED)
    cells = "".join(f'<th scope="col">{escape(h)}</th>' for h in (*head[:1], "done", *head[1:]))
    body = "".join(
        f"<tr{'' if k % every == 0 or k == len(rows) - 1 else BETWEEN}><td>{row[0]}</td>"
        f'<td><input type="checkbox" aria-label="frame {row[0]} done"></td>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for k, row in enumerate(rows)
    )
    printed = math.ceil(len(rows) / every)
    run = next(n for n, most in enumerate((12, 40, math.inf), 1) if printed <= most)
    thinned = f'<p class="printed">On paper every {_nth(every)} frame.</p>' if every > 1 else ""
    table = f'<table class="steps"><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>'
    return f'{thinned}<div class="run{run}">{table}</div>'


def _nth(number: int) -> str:
    """'2nd', '3rd', '11th'."""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if number % 100 in (11, 12, 13) else ending}"


def _apertures(plan: Bracket) -> str:
    head = "".join(
        f'<th scope="col">{h}</th>' for h in ("aperture", "frames", "diffraction", "blur at the seams")
    )
    rows = (
        (show_f_number(c.f_number), str(c.frames), f"{c.airy_um:.1f} µm", f"{c.blur_um:.1f} µm")
        for c in plan.choices
    )
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _list(entries: tuple[str, ...]) -> str:
    return "<ul>" + "".join(f"<li>{escape(e)}</li>" for e in entries) + "</ul>"
