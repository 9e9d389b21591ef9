"""Server-sent events, from one reader of the store."""

from __future__ import annotations
