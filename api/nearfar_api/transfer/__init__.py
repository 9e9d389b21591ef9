"""Bytes of frames and results, in and out: digests, ranges, and files that no name leads away from."""

from __future__ import annotations
