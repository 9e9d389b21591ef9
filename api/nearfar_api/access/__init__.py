"""Who asks, what they may do, and what stands before every handler."""

from __future__ import annotations
