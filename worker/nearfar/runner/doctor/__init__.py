"""Checks of a server's surroundings: what is fine, what could be better, what will not work."""

from __future__ import annotations
