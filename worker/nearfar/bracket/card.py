"""A plan as one page for the field: read on a phone without a network, or printed and ticked off.

Plain HTML and CSS in one text, nothing fetched, no script.
"""

from __future__ import annotations

from html import escape

from nearfar import __version__
from nearfar.bracket.model import Bracket
from nearfar.bracket.units import show_f_number
from nearfar.bracket.words import MOVED, columns, duration, figures, space

MARK = '<meta name="generator" content="Nearfar'
"""By which a card of ours is known, so that nothing else is written over."""

SAFETY = tuple(
    """\
Never point a lens at or near the sun without a filter made for that before the lens: an optical finder blinds at once.
Lamps, lasers and ultraviolet light at a microscope harm eyes and skin: never look into a beam or its reflection.
Keep shields closed, and switch the light off before you reach into its path.
A motorised rail can crush: set end stops, start away from a live subject, keep fingers clear and a hand on the switch.
Leave animals, plants and their places as they were found.
Local rules and the instructions of those who made the equipment go before anything on this card.""".splitlines()
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
@media (max-width: 30rem) { dl { grid-template-columns: 1fr; } dt { margin-top: .4rem; } }
@media print { body { font-size: 11pt; max-width: none; padding: 0; } @page { margin: 12mm; } }
"""


def card(plan: Bracket, title: str = "Focus bracket") -> str:
    """The page. ``title`` may hold anything; it is escaped."""
    head, rows = _columns(plan)
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f'{MARK} {escape(__version__)}">',
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>",
        f"<h1>{escape(title)}</h1>",
        _big(plan),
        "<h2>Safety first</h2>",
        f'<div class="safety">{_list(SAFETY)}</div>',
        "<h2>Frames</h2>",
        _table(head, rows),
        "<h2>Figures</h2>",
        "<dl>" + "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in figures(plan)) + "</dl>",
        "<h2>Other apertures</h2>" + _apertures(plan) if plan.choices else "",
        "<h2>Careful</h2>" + _list(plan.warnings) if plan.warnings else "",
        "<h2>Notes</h2>" + _list(plan.remarks) if plan.remarks else "",
        "</body></html>",
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
    if plan.moves != "ring":
        return head, rows
    return (head[0], head[1], "sharp (from the lens)"), [(r[0], r[1], f"{r[3]} to {r[4]}") for r in rows]


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    cells = "".join(f'<th scope="col">{escape(h)}</th>' for h in (*head[:1], "done", *head[1:]))
    body = "".join(
        f"<tr><td>{row[0]}</td>"
        f'<td><input type="checkbox" aria-label="frame {row[0]} done"></td>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in rows
    )
    return f'<table class="steps"><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>'


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
