"""Templates and styles, which travel with the package."""

from __future__ import annotations

from pathlib import Path

STATIC = Path(__file__).parent / "static"
TEMPLATES = Path(__file__).parent / "templates"
