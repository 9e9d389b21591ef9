"""RESULTS.md: sections by title; a run renews those that it measured and leaves the others as they are."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

TITLE = "# Measured\n\nEach section says when and how. Bars in brackets: first landing / goal: verdict.\n"
_SECTION = re.compile(r"^## (.+)$", re.MULTILINE)


def renewed(text: str, sections: Mapping[str, str]) -> str:
    """The file's text with these sections in place of those of the same title; new ones go to the end."""
    titles = _SECTION.findall(text)
    bodies = [body.strip("\n") for body in _SECTION.split(text)[2::2]]
    merged = dict(zip(titles, bodies, strict=True)) | {
        title: body.strip("\n") for title, body in sections.items()
    }
    return TITLE + "".join(f"\n## {title}\n\n{body}\n" for title, body in merged.items())


def renew(path: Path, sections: Mapping[str, str]) -> None:
    """Renew sections in a file, which may not be there yet."""
    path.write_text(renewed(path.read_text() if path.exists() else "", sections))
