"""Who sends a request, what they may do, and the guard before every handler."""

from __future__ import annotations
