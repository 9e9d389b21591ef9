"""Limits on what an owner may take up of the server."""

from __future__ import annotations
