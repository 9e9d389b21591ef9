"""Results on disk: published complete or not at all, kept in versions, and cleared up."""

from __future__ import annotations
