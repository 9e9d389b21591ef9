"""How the server stands: readiness, what waits and why, the time that is left."""

from __future__ import annotations
