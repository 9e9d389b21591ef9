"""Cards: a whole shoot in one folder, sorted into stacks by time, camera data and small previews of the pictures."""

from __future__ import annotations
