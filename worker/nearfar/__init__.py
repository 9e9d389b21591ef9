"""Nearfar: many frames focused from near to far become one picture that is sharp throughout."""

from __future__ import annotations

__version__ = "0.1.0"
