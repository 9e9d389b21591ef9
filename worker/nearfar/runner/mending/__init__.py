"""Mends of delivered pictures, carried out by a process of their own."""

from __future__ import annotations
