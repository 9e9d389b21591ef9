"""Debian's Chromium, driven by Playwright: pages that keep what the console said, and what axe-core finds on them.

axe-core (Deque Systems, MPL 2.0) checks against WCAG 2.2; the rules asked for are those of levels A and AA and its own
'best practices'.
"""

from __future__ import annotations

import importlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.worker.jobs.postgresql import missing

WIDTHS = (1280, 390)
LOUD = {"error", "warning"}
PROGRAMS = ("chromium-headless-shell", "chromium")
"""The same browser without and with its own windows, which take three quarters of the time that a page takes."""
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@dataclass
class Told:
    """What a page said to those who look into the console."""

    lines: list[str] = field(default_factory=list)
    expected: list[str] = field(default_factory=list)
    """Parts of lines that the test provokes."""

    def unexpected(self) -> list[str]:
        return [line for line in self.lines if not any(part in line for part in self.expected)]


@contextmanager
def chromium() -> Iterator[Any]:
    """The browser; skips the test where it, Playwright or axe-core is not installed."""
    program = next(filter(None, map(shutil.which, PROGRAMS)), None) or missing(
        "Chromium is not installed (on Debian: apt-get install chromium-headless-shell)"
    )
    try:
        sync_api: Any = importlib.import_module("playwright.sync_api")
    except ImportError:
        missing("Playwright is not installed (pip install playwright)")
    with sync_api.sync_playwright() as playwright:
        own = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path=program, args=own)
        yield browser
        browser.close()


@contextmanager
def opened(browser: Any, *, width: int = 1280, told: Told | None = None, **options: Any) -> Iterator[Any]:
    """A page in a context of its own; its warnings and errors are added to ``told``.

    ``page.awaited`` holds what it asked for of pictures and has not got yet.
    """
    heard = told if told is not None else Told()
    context = browser.new_context(viewport={"width": width, "height": 900}, **options)
    context.set_default_timeout(30_000)
    page = context.new_page()
    page.on("console", lambda m: heard.lines.extend([f"{m.type}: {m.text}"] if m.type in LOUD else []))
    page.on("pageerror", lambda error: heard.lines.append(f"uncaught: {error}"))
    page.told = heard
    page.awaited = set()
    page.on("request", lambda request: page.awaited.add(request) if "/iiif/" in request.url else None)
    for end in ("requestfinished", "requestfailed"):
        page.on(end, lambda request: page.awaited.discard(request))  # a method of a set cannot be marked
    page.on("framenavigated", lambda _: page.awaited.clear())
    try:
        yield page
    finally:
        context.close()
    assert not heard.unexpected(), heard.unexpected()


def drawn(page: Any) -> None:
    """Wait until the browser drew twice: by then it has acted on all that came before."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def axe_source() -> str:
    """The script of axe-core, which a package of PyPI carries."""
    try:
        axe: Any = importlib.import_module("axe_playwright_python")
    except ImportError:
        missing("axe-core is not installed (pip install axe-playwright-python)")
    return (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


AXE = """async tags => {
  const found = await axe.run(document, { runOnly: tags, resultTypes: ["violations"] });
  return { violations: found.violations, passed: found.passes.length };
}"""
"""What is in order is only counted: all its elements on their way here take longer than to look at them."""


def violations(page: Any, *, but: frozenset[str] = frozenset()) -> list[str]:
    """What axe-core finds on a page, without the rules ``but``: rule, place and what is wrong there."""
    page.evaluate(axe_source())
    found = page.evaluate(AXE, TAGS)
    assert found["passed"], "it looked at something"
    return [
        f"{rule['id']}: {node['target']}: {node.get('failureSummary', '')}"
        for rule in found["violations"]
        for node in rule["nodes"]
        if rule["id"] not in but
    ]


CUT = """() => [...document.querySelectorAll("select")].filter(e => e.checkVisibility()).filter(e => {
  const style = getComputedStyle(e), pen = document.createElement("canvas").getContext("2d");
  pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  const room = e.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight) - 18; // the arrow
  return pen.measureText(e.selectedOptions[0]?.text ?? "").width > room;
}).map(e => e.selectedOptions[0].text)"""


def cut_choices(page: Any) -> list[str]:
    """Choices of lists whose words do not fit into their fields."""
    return list(page.evaluate(CUT))


SMALL = """() => [...document.querySelectorAll('a[href]')].filter(a => {
    const words = [...a.parentElement.childNodes].some(n => n.nodeType == 3 && n.data.trim().length > 3);
    const box = a.getBoundingClientRect();
    return a.checkVisibility() && !a.closest('svg') && !(words && getComputedStyle(a).display == 'inline')
        && (box.height < 24 || box.width < 24);
}).map(a => a.outerHTML.slice(0, 90))"""


def small_links(page: Any) -> list[str]:
    """Links less than 24 pixels high or wide that stand alone, not in a sentence (WCAG 2.2, 2.5.8, without its exception for
    those with room around them).
    """
    return list(page.evaluate(SMALL))


def too_wide(page: Any) -> int:
    """Pixels by which a page is wider than the window: what makes it slide sideways."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def overlapping(page: Any, selector: str) -> list[str]:
    """Pairs of elements that lie over each other though neither holds the other."""
    script = """selector => {
        const found = [...document.querySelectorAll(selector)].filter(e => e.checkVisibility() && !e.closest('.hidden'));
        const boxes = found.map(e => e.getBoundingClientRect());
        const over = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
        const out = [];
        for (let i = 0; i < found.length; i++) for (let j = i + 1; j < found.length; j++)
            if (over(boxes[i], boxes[j]) && !found[i].contains(found[j]) && !found[j].contains(found[i]))
                out.push(found[i].outerHTML.slice(0, 90) + ' / ' + found[j].outerHTML.slice(0, 90));
        return out; }"""
    return list(page.evaluate(script, selector))
