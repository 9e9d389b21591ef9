"""Object storage: frames come from its buckets, and results go there."""

from __future__ import annotations
