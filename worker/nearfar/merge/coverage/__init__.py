"""Coverage: whether the frames leave a slice of depth out, and in what order they were focused."""

from __future__ import annotations
