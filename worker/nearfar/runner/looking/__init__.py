"""Frames shown beside their picture: made ready by one process, kept in a folder of bounded size."""

from __future__ import annotations
