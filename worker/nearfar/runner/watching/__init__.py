"""Watched folders: complete stacks become jobs, cards are sorted."""

from __future__ import annotations
