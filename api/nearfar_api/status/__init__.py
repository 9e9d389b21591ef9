"""The state of the server: readiness, what waits and why, the time that is left."""

from __future__ import annotations
