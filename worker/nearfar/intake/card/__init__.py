"""Cards: a whole shoot in one folder, told apart into stacks by time, camera data and small looks at the pictures."""

from __future__ import annotations
