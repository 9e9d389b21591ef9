"""Small picture files of every kind, written by libraries that the reader under test does not use for reading them."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

Samples = NDArray[Any]
RGB_MATRIX = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)  # identity as signed fractions


def picture(
    *, height: int = 40, width: int = 56, channels: int = 3, dtype: Any = np.uint8, seed: int = 7
) -> Samples:
    """A colourful slope with some grain: neighbouring pixels differ, nothing is symmetric."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width] / max(height, width)
    planes = [(0.2 + 0.5 * x + 0.2 * y * (c + 1) / 3) for c in range(channels)]
    values = np.stack(planes, axis=-1) + rng.normal(0, 0.02, (height, width, channels))
    values = np.clip(values, 0, 1)
    if np.dtype(dtype).kind == "f":
        return values.astype(dtype)
    return np.asarray(np.rint(values * np.iinfo(dtype).max)).astype(dtype)


def turned(upright: Samples, orientation: int) -> Samples:
    """How an upright picture is stored under an orientation (Exif 3.0, table on tag 0x0112), one rule a value."""
    rules = {
        1: lambda a: a,
        2: np.fliplr,
        3: lambda a: np.rot90(a, 2),
        4: np.flipud,
        5: lambda a: np.swapaxes(a, 0, 1),
        6: lambda a: np.rot90(a, 1),
        7: lambda a: np.rot90(np.swapaxes(a, 0, 1), 2),
        8: lambda a: np.rot90(a, -1),
    }
    return np.ascontiguousarray(rules[orientation](upright))


def exif_bytes(**values: Any) -> bytes:
    """An Exif block by Pillow, from tag numbers written as ``t274=6``."""
    exif = Image.Exif()
    for name, value in values.items():
        exif[int(name[1:])] = value
    return exif.tobytes()


def jpeg_bytes(array: Samples, **options: Any) -> bytes:
    """A JPEG by Pillow; ``exif``, ``icc_profile``, ``progressive``, ``subsampling`` go through."""
    buffer = io.BytesIO()
    mode = array[:, :, 0] if array.ndim == 3 and array.shape[2] == 1 else array
    Image.fromarray(mode).save(buffer, "JPEG", **{"quality": 95, "subsampling": 0} | options)
    return buffer.getvalue()


def chunk(name: bytes, data: bytes) -> bytes:
    """One PNG chunk with its checksum."""
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png_bytes(array: Samples, *, extra: bytes = b"", late: bytes = b"", data: bytes | None = None) -> bytes:
    """A PNG without filters, straight after the specification; ``extra`` chunks go before the data, ``late`` after."""
    height, width, channels = array.shape
    colour = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    rows = array.astype(array.dtype.newbyteorder(">")).reshape(height, -1)
    plain = b"".join(b"\0" + row.tobytes() for row in rows)
    head = struct.pack(">IIBBBBB", width, height, array.itemsize * 8, colour, 0, 0, 0)
    packed = zlib.compress(plain) if data is None else data
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + extra
        + chunk(b"IDAT", packed)
        + late
        + chunk(b"IEND", b"")
    )


def write_tiff(path: Path, array: Samples, **options: Any) -> Path:
    """A TIFF by tifffile; greyscale where the last axis has one channel."""
    planar = options.get("planarconfig") == "separate"
    grey = array.shape[2] == 1
    shown = np.moveaxis(array, 2, 0) if planar else (array[:, :, 0] if grey else array)
    photometric = options.pop("photometric", "minisblack" if grey else "rgb")
    tifffile.imwrite(path, shown, photometric=photometric, metadata=None, **options)
    return path


def write_dng(
    path: Path,
    *,
    orientation: int = 1,
    height: int = 96,
    width: int = 128,
    sensor: Samples | None = None,
    neutral: tuple[int, ...] = (1, 2, 1, 1, 1, 2),
) -> Path:
    """A minimal DNG: 14-bit sensor data (h, w) behind a red-green-blue mosaic, with neutral colours."""
    if sensor is None:
        sensor = picture(height=height, width=width, channels=1, dtype=np.uint16, seed=3)[:, :, 0] // 4
    height = len(sensor)
    tags: list[tuple[int, int, int, Any, bool]] = [
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50707, 1, 4, bytes([1, 1, 0, 0]), True),
        (50708, 2, 0, "Nordlys Field One", True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50714, 3, 1, 64, True),
        (50717, 4, 1, 16383, True),
        (50721, 10, 9, RGB_MATRIX, True),
        (50728, 5, 3, neutral, True),
        (50778, 3, 1, 21, True),
        (274, 3, 1, orientation, True),
        (271, 2, 0, "Nordlys", True),
        (272, 2, 0, "Field One", True),
    ]
    tifffile.imwrite(path, sensor, photometric=32803, extratags=tags, metadata=None, rowsperstrip=height)
    return path
