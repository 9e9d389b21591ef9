"""Mends in the job store: what people want of a delivered picture, and how far it shows it."""

from __future__ import annotations
