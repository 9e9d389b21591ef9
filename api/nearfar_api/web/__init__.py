"""Templates, styles and what the pages use of others, which travel with the package."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

STATIC = Path(__file__).parent / "static"
TEMPLATES = Path(__file__).parent / "templates"
VENDOR = Path(__file__).parent / "vendor"
"""What ``build_hook.py`` put here; it is missing in a checkout where that did not run."""
VIEWER_STYLE = "sha256-9xTiqzfwFaL2SGb1rmr8gysEwVVjIvqWAgmZgqFqpEE="
"""The one style element that OpenSeadragon adds to a page, as a content security policy names it; a test watches it."""


def environment() -> Environment:
    """An environment for the templates: all values are escaped, and one that nobody gave is a mistake."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
