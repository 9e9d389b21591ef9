"""sRGB transfer curve (IEC 61966-2-1) for float pictures and its 16-bit tables.

Blur adds light, so every scene is composed in linear light and encoded last.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
"""float32 all along; the stubs of the picture libraries tell less."""


def encode(linear: Floats) -> Floats:
    """Linear light to sRGB, both 0..1; clips."""
    x = np.clip(linear, 0, 1).astype(np.float32)
    return np.where(x <= 0.0031308, x * 12.92, 1.055 * x ** np.float32(1 / 2.4) - 0.055).astype(np.float32)


def decode(encoded: Floats) -> Floats:
    """SRGB to linear light, both 0..1."""
    x = np.clip(encoded, 0, 1).astype(np.float32)
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** np.float32(2.4)).astype(np.float32)


@cache
def light_of_16bit() -> Floats:
    """(65536,) encoded sample to linear light."""
    return decode(np.arange(65536, dtype=np.float32) / 65535)


def encode_slope(encoded: Floats) -> Floats:
    """d encoded / d linear at an encoded value; turns noise of light into noise of samples."""
    x = np.maximum((np.clip(encoded, 0.04045, 1) + 0.055) / 1.055, 1e-3)
    return (1.055 / 2.4 * x ** np.float32(1 - 2.4)).astype(np.float32)
