"""A browser's ``User-Agent`` in words that its owner recognises."""

from __future__ import annotations

# The first mark that occurs counts: most browsers claim to be others too.
BROWSERS = (
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("Chrome/", "Chrome"),
    ("CriOS/", "Chrome"),
    ("Safari/", "Safari"),
)
SYSTEMS = (
    ("Android", "Android"),
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Windows", "Windows"),
    ("Mac OS X", "macOS"),
    ("CrOS", "ChromeOS"),
    ("Linux", "Linux"),
)
LONGEST = 40


def browser_words(agent: str) -> str:
    """``Firefox on Linux`` for a `User-Agent` header; the beginning of what it says if it is not known."""
    browser, system = _first(BROWSERS, agent), _first(SYSTEMS, agent)
    if not browser:
        return agent if len(agent) <= LONGEST else f"{agent[: LONGEST - 1]}…"
    return f"{browser} on {system}" if system else browser


def _first(marks: tuple[tuple[str, str], ...], agent: str) -> str:
    return next((name for mark, name in marks if mark in agent), "")
