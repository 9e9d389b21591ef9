"""Bytes of frames and results, in and out: digests, ranges, and files that are opened without following links."""

from __future__ import annotations
