"""Templates, styles and what the pages use of others, which travel with the package."""

from __future__ import annotations

from pathlib import Path

STATIC = Path(__file__).parent / "static"
TEMPLATES = Path(__file__).parent / "templates"
VENDOR = Path(__file__).parent / "vendor"
"""What ``build_hook.py`` put here; it is missing in a checkout where that did not run."""
VIEWER_STYLE = "sha256-9xTiqzfwFaL2SGb1rmr8gysEwVVjIvqWAgmZgqFqpEE="
"""The one style element that OpenSeadragon adds to a page, as a content security policy names it; a test watches it."""
