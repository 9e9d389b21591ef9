"""The steps, oldest first."""

from __future__ import annotations
