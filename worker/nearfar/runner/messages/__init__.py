"""Messages to people and programs, by mail and webhook."""

from __future__ import annotations
