"""Rendered focus brackets with known truth: `render` makes one, `write` puts it on disk as a camera would."""

from __future__ import annotations

from tests.scenes.files import frame_bytes, write, write_truth
from tests.scenes.kinds import KINDS
from tests.scenes.scene import Scene, cache_folder, render, similarity
from tests.scenes.tags import Camera

__all__ = [
    "KINDS",
    "Camera",
    "Scene",
    "cache_folder",
    "frame_bytes",
    "render",
    "similarity",
    "write",
    "write_truth",
]
