"""From 16-bit samples under a file's own profile to 8-bit sRGB.

What it takes is put together once for each profile. Matrix profiles, which nearly all pictures carry, go through tables
of 16-bit precision: with 8 bits alone the shadows of a profile with a steep curve would show steps. Profiles that hold
tables go through LittleCMS at 8 bit. A profile that cannot be used counts as sRGB, as everywhere.
"""

from __future__ import annotations

import functools
import io
import logging
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from nearfar.frames.colour import Shaper, light_table, shaper, srgb_profile

log = logging.getLogger(__name__)

U16 = NDArray[np.uint16]
U8 = NDArray[np.uint8]
Convert = Callable[[U16], U8]
"""(h, w, c) uint16 -> (h, w, c) uint8, c being 3 or 1."""

FULL = 65535
GRID = 9
"""Steps each way of the colours on which a profile is compared with sRGB."""


@functools.lru_cache(maxsize=16)
def to_srgb(icc: bytes | None, channels: int) -> Convert:
    """What turns samples under this profile into sRGB.

    Parameters
    ----------
    icc
        The file's profile; None counts as sRGB.
    channels
        3 (RGB) or 1 (greyscale).
    """
    if icc is None:
        return plain
    if channels == 1:
        return functools.partial(_looked_up, _encoded()[_index(light_table(icc, 16))])
    found = shaper(icc)
    convert = functools.partial(_shaped, *_tables(found)) if found else _by_library(icc)
    return plain if _changes_nothing(convert) else convert


def plain(samples: U16) -> U8:
    """8 bits of 16, rounded."""
    return _looked_up(_rounded(), samples)


@functools.cache
def _rounded() -> U8:
    return ((np.arange(FULL + 1, dtype=np.uint32) * 255 + 32767) // FULL).astype(np.uint8)


@functools.cache
def _encoded() -> U8:
    """SRGB value of linear light in 65536 steps: the curve of IEC 61966-2-1, the other way round."""
    light = np.linspace(0.0, 1.0, FULL + 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return (value * 255 + 0.5).astype(np.uint8)


def _index(light: NDArray[np.float32]) -> U16:
    return (light * FULL + 0.5).astype(np.uint16)


def _looked_up(table: U8, samples: U16) -> U8:
    """``table[samples]``; faster, since nothing can lie outside a table of 65536."""
    return np.take(table, samples, mode="clip")


def _tables(profile: Shaper) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Curves, and the matrix from the profile's linear light to that of sRGB in steps of the table of values."""
    target = shaper(srgb_profile())
    assert target is not None  # noqa: S101 - it is our own
    matrix = np.linalg.inv(target.primaries) @ profile.primaries * FULL
    return profile.curves, matrix.astype(np.float32)


def _shaped(curves: NDArray[np.float32], matrix: NDArray[np.float32], samples: U16) -> U8:
    light = np.empty(samples.shape, np.float32)
    for channel in range(3):
        light[..., channel] = np.take(curves[channel], samples[..., channel], mode="clip")
    mixed = np.asarray(cv2.transform(light, matrix), np.float32)
    np.clip(mixed, 0, FULL, out=mixed)
    mixed += 0.5
    return _looked_up(_encoded(), mixed.astype(np.uint16))


def _by_library(icc: bytes) -> Convert:
    try:
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(icc)),
            ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile())),
            "RGB",
            "RGB",
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (ImageCms.PyCMSError, OSError) as error:
        log.warning(
            "a colour profile of %d bytes cannot be used and counts as sRGB: %s",
            len(icc),
            error,
            extra={"action": "colour.profile"},
        )
        return plain
    return functools.partial(_transformed, transform)


def _transformed(transform: ImageCms.ImageCmsTransform, samples: U16) -> U8:
    return np.asarray(transform.apply(Image.fromarray(plain(samples))))


def _changes_nothing(convert: Convert) -> bool:
    """Whether this is sRGB, under whichever name: no colour of a grid moves by more than one step of 8 bits."""
    axis = np.linspace(0, FULL, GRID).astype(np.uint16)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(GRID, -1, 3)
    moved = convert(grid).astype(np.int16) - plain(grid)
    return bool(np.abs(moved).max() <= 1)
