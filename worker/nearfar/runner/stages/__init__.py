"""What each kind of unit does."""

from __future__ import annotations
