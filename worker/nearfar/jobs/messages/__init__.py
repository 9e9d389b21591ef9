"""Messages in the job store: who wants to be told of what, and what was sent."""

from __future__ import annotations
