"""From templates to pages: one environment, addresses below the server's root path, words for figures."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

from jinja2 import Environment
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import HTMLResponse

from nearfar import __version__
from nearfar.bracket.words import space
from nearfar.progress import format_seconds
from nearfar_api.access.caller import caller_of
from nearfar_api.models.answers import LeftModel
from nearfar_api.models.cards import CardBrief
from nearfar_api.models.shaping import memory
from nearfar_api.web import environment

STEPS = {
    "survey": "Look at the frames",
    "register": "Line them up",
    "focus": "Find what is sharp",
    "render": "Make the picture",
    "deliver": "Write it",
}
"""The steps of a merge for people, in order."""


FEW = "a few seconds"


def address(request: Request, route: str, **params: Any) -> str:
    """Where a route of the application is reached, as a path: the same for every name and scheme of a proxy."""
    return f"{request.scope.get('root_path', '')}{request.app.url_path_for(route, **params)}"


def draw(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """A page. Besides its values every template knows ``url``, ``root``, ``version`` and ``me``, the caller."""

    def url(route: str, **params: Any) -> str:
        return address(request, route, **params)

    shown = {
        "url": url,
        "root": request.scope.get("root_path", ""),
        "version": __version__,
        "me": caller_of(request.scope),
    }
    text = PAGES.get_template(template).render(shown | values)
    return HTMLResponse(text, status, headers={"cache-control": "no-store"})


def moment(text: str) -> Markup:
    """A moment (RFC 3339, UTC) that script turns into local time; without it the page says UTC."""
    return Markup('<time datetime="{}">{} UTC</time>').format(text, text[:16].replace("T", " "))


def left(span: LeftModel) -> str:
    """Time left as a range."""
    least, most = _about(span.least), _about(span.most)
    if least == most:
        return most if most == FEW else f"about {most}"
    return f"{least} to {most}"


def _about(seconds: float) -> str:
    """Coarse, since it is a guess: whole fives of seconds, whole minutes."""
    if seconds < 5:
        return FEW
    if seconds < 90:
        return f"{5 * round(seconds / 5)} s"
    if seconds < 5400:
        return f"{round(seconds / 60)} min"
    return format_seconds(60 * round(seconds / 60))


def percent(share: float) -> str:
    """A share in whole per cent, with one digit if it is small."""
    value = 100 * share
    if 0 < value < 0.05:
        return "below 0.1 %"
    return f"{value:.1f} %" if 0 < value < 9.95 else f"{value:.0f} %"


def metres(distance: float) -> str:
    """A focus distance; small ones in millimetres."""
    return f"{distance:.3g} m" if distance >= 0.1 else f"{1000 * distance:.3g} mm"


def sentence(text: str) -> str:
    """With a capital at its beginning."""
    return text[:1].upper() + text[1:]


_JOB = re.compile(r"\bjob (\d{1,15})\b")


def with_links(text: str, root: str) -> Markup:
    """A reason in which jobs that it names are links to their pages; ``root`` comes before each address."""
    parts = _JOB.split(text)  # in turns what stands between numbers, and a number
    link = Markup('<a href="{}/jobs/{}">job {}</a>')
    return Markup("").join(link.format(root, p, p) if k % 2 else escape(p) for k, p in enumerate(parts))


def stopped(text: str) -> str:
    """With a full stop, unless it ends in one."""
    return text if text.endswith(".") else f"{text}."


def plural(number: int, word: str) -> str:
    """A number with its word: '1 frame', '12 frames'."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def standing(card: CardBrief) -> str:
    """Stacks of a card by how they stand: '3 to be answered, 9 clear'."""
    counts = (
        (card.stacks.ask, "to be answered"),
        (card.stacks.decided, "decided, waiting for your go"),
        (card.stacks.clear, "clear, on their way"),
        (card.stacks.taken, "jobs" if card.stacks.taken != 1 else "job"),
    )
    return ", ".join(f"{count} {text}" for count, text in counts if count) or "none of use"


def host(url: str) -> str:
    """The name in an address."""
    return urlsplit(url).netloc


def now() -> str:
    """This moment, RFC 3339, UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _environment() -> Environment:
    found = environment()
    found.filters |= {
        "size": space,
        "memory": memory,
        "seconds": format_seconds,
        "moment": moment,
        "left": left,
        "percent": percent,
        "metres": metres,
        "plural": plural,
        "sentence": sentence,
        "with_links": with_links,
        "stopped": stopped,
        "host": host,
        "standing": standing,
    }
    found.globals |= {"steps": STEPS, "now": now}
    return found


PAGES = _environment()
