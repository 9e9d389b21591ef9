"""Rendered brackets that several tests look at: whoever comes first renders them, the others find them."""

from __future__ import annotations

from tests.scenes import Scene, render

STILL = {"hairs": 8, "doorways": 5, "occlusion": 8, "rail": 8}
"""Kinds in which nothing moves by itself, and how many frames each has; with ``rail`` the camera moves."""


def common(kind: str) -> Scene:
    """One of `STILL`, or ``foliage``, which sways."""
    if kind == "foliage":
        return render(kind, frames=9, size=(320, 240), seed=7)
    return render(kind, frames=STILL[kind], size=(420, 320), seed=11)
