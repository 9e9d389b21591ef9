"""What is handed over: the picture, its reduced levels, maps and report, each file complete or not there."""

from __future__ import annotations
