"""The focus map: which frame is sharpest where, what moved, and what no frame has sharp."""

from __future__ import annotations
