"""Boxes of a picture: left, top, width and height in whole pixels."""

from __future__ import annotations

from collections.abc import Sequence

Box = tuple[int, int, int, int]
"""Left, top, width, height in pixels."""


def common(a: Box, b: Box) -> Box:
    """What two boxes have in common; its width or height is 0 or less if that is nothing."""
    left, top = max(a[0], b[0]), max(a[1], b[1])
    right, bottom = min(a[0] + a[2], b[0] + b[2]), min(a[1] + a[3], b[1] + b[3])
    return left, top, right - left, bottom - top


def meet(a: Box, b: Box) -> bool:
    """Whether two boxes have a pixel in common."""
    _, _, width, height = common(a, b)
    return width > 0 and height > 0


def grown(box: Box, by: int, size: tuple[int, int]) -> Box:
    """The box grown by some pixels on each side, within a picture of that width and height."""
    left, top = max(0, box[0] - by), max(0, box[1] - by)
    right, bottom = min(size[0], box[0] + box[2] + by), min(size[1], box[1] + box[3] + by)
    return left, top, right - left, bottom - top


def around(boxes: Sequence[Box]) -> Box:
    """The smallest box around all boxes, of which there is at least one."""
    left, top = min(b[0] for b in boxes), min(b[1] for b in boxes)
    right, bottom = max(b[0] + b[2] for b in boxes), max(b[1] + b[3] for b in boxes)
    return left, top, right - left, bottom - top
