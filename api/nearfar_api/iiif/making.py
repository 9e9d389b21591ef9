"""A view made: read from the level that fits, scaled, turned, coded.

A level has exactly half the scale of the one before, pixel for pixel, so that what a viewer asks for on the grid of
info.json is one tile, neither scaled nor shifted. Elsewhere the edge of a region lies within a pixel of the level.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import imagecodecs
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from nearfar_api.iiif.pictures import Box, Level, Picture
from nearfar_api.iiif.tiles import TileCache
from nearfar_api.iiif.views import LARGEST_AREA, View
from nearfar_api.problems import Problem

U8 = NDArray[np.uint8]
QUALITY = 88
PNG_LEVEL = 1
MIDDLE = 128
MOST_READ = 5 * LARGEST_AREA
"""Pixels that are read for one view: a level has at most twice its scale, thus four times its pixels."""


def make(picture: Picture, view: View, cache: TileCache, check: Callable[[], None]) -> bytes:
    """The coded view.

    Parameters
    ----------
    cache
        Of decoded tiles.
    check
        Called before each step of some milliseconds; may raise to stop.

    Raises
    ------
    FrameRefused
        The file is damaged.
    Problem
        It has no level that is small enough.
    """
    number = fitting_level(picture.levels, view)
    box = _on_level(view.box, picture.levels[number], number)
    if box[2] * box[3] > MOST_READ:
        raise Problem("not-offered", "The file has no smaller level to show so much of it from.")
    pixels = picture.part(number, box, cache, check)
    check()
    pixels = _turned(_toned(_scaled(pixels, view.size), view.quality), view)
    check()
    return _coded(pixels, view.format)


def fitting_level(levels: tuple[Level, ...], view: View) -> int:
    """The smallest level that needs no enlarging, or a smaller one if that would be too much to read."""
    number = 0
    while number + 1 < len(levels):
        _, _, width, height = _on_level(view.box, levels[number], number)
        _, _, next_width, next_height = _on_level(view.box, levels[number + 1], number + 1)
        too_small = next_width < view.size[0] or next_height < view.size[1]
        if too_small and width * height <= MOST_READ:
            break
        number += 1
    return number


def _on_level(box: Box, level: Level, number: int) -> Box:
    """The pixels of a level that a box of the picture touches."""
    x, y, width, height = box
    left, top = x >> number, y >> number
    right = min(level.width, -(-(x + width) >> number))
    bottom = min(level.height, -(-(y + height) >> number))
    return left, top, max(1, right - left), max(1, bottom - top)


def _scaled(pixels: U8, size: tuple[int, int]) -> U8:
    height, width = pixels.shape[:2]
    if (width, height) == size:
        return pixels
    smaller = size[0] <= width and size[1] <= height
    method = cv2.INTER_AREA if smaller else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(pixels, size, interpolation=method), np.uint8)


def _toned(pixels: U8, quality: str) -> U8:
    if quality in ("default", "color"):
        return pixels
    grey = pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    return np.where(grey >= MIDDLE, 255, 0).astype(np.uint8) if quality == "bitonal" else grey


def _turned(pixels: U8, view: View) -> U8:
    if view.mirrored:
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(np.rot90(pixels, -view.turns) if view.turns else pixels)


def _coded(pixels: U8, form: str) -> bytes:
    """As sRGB, which is what a file without a profile counts as, and with nothing else in it."""
    if form == "png":
        return bytes(imagecodecs.png_encode(pixels, level=PNG_LEVEL))
    if pixels.ndim == 2:
        return bytes(simplejpeg.encode_jpeg(pixels[:, :, None], QUALITY, "GRAY", "Gray"))
    return bytes(simplejpeg.encode_jpeg(pixels, QUALITY, "RGB", "444"))
