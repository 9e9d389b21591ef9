"""The height map: how far each place lies in front of the farthest frame's plane of focus, and a shaded relief of it.

If the step between frames is known, from the recipe or from the focus distances in the camera data, heights are in
micrometres or millimetres; otherwise they are in frames, and the file says so. An unknown height is NaN.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from nearfar.frames import tiff_tags
from nearfar.frames.deliverable import TILE, decode_tile, offsets_tag, write_directories
from nearfar.frames.headers import FrameHeader
from nearfar.frames.ifd import Tag, Tags, ascii_tag, long_tag, rational_tag, short_tag
from nearfar.merge.deliver.focus_colours import RAMP
from nearfar.merge.deliver.map_scale import frame_places, map_step
from nearfar.merge.recipe import Recipe

F32 = NDArray[np.float32]
FORMAT = "nearfar-height/1"
FLOAT = 11
"""TIFF field type."""
NOT_TOLD, CENTIMETRE = 1, 3
"""Values of TIFF's ResolutionUnit: no absolute unit, and the centimetre (TIFF 6.0, section 8)."""
SUN = np.array([-0.5, -0.5, 0.7071], np.float32)
"""Direction towards the light of the relief: from the upper left, 45 degrees up (the custom of maps)."""
RELIEF = 0.06
"""Height of the whole range in the relief, as a share of the relief's longer edge."""


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The heights that frames stand for."""

    heights: tuple[float, ...]
    """(n,), of each used frame's plane of focus, in ``unit``."""
    unit: str
    """``"um"``, ``"mm"`` or ``"frame"``."""
    why: str
    """Where the unit comes from, in words."""


def height_scale(headers: Sequence[FrameHeader], order: int, recipe: Recipe) -> Scale:
    """Heights of the used frames' planes of focus.

    Parameters
    ----------
    headers
        Of the used frames, in order.
    order
        1 if the first frame is focused nearest, -1 if the last one is; 0 (unknown) counts as 1.
    recipe
        Gives the step, if it names one.
    """
    count = len(headers)
    place = np.arange(count, dtype=np.float64)
    up = place if order < 0 else place[::-1]
    step = recipe.coverage.stage_step_um
    if step is not None:
        return Scale(heights=tuple((up * step).tolist()), unit="um", why="step of the recipe")
    distances = [h.camera.focus_distance or h.camera.subject_distance for h in headers]
    known = [d for d in distances if d is not None]
    if len(known) == count > 1 and len(set(np.sign(np.diff(known)))) == 1 and known[0] != known[-1]:
        far = max(known)
        return Scale(
            heights=tuple(1000 * (far - d) for d in known),
            unit="mm",
            why="focus distances in the camera data",
        )
    return Scale(heights=tuple(up.tolist()), unit="frame", why="the step between frames is not known")


def heights_of(values: NDArray[np.uint16], scale: Scale) -> F32:
    """Heights for the numbers of a map of frames; NaN where the map has 0, unknown."""
    place = frame_places(values, map_step(len(scale.heights)))
    heights = np.interp(place, np.arange(len(scale.heights)), scale.heights).astype(np.float32)
    return np.asarray(np.where(values > 0, heights, np.float32(np.nan)), np.float32)


def write_heights(
    path: Path,
    size: tuple[int, int],
    tiles: Iterable[bytes],
    scale: Scale,
    software: str,
    pixel_um: float | None,
) -> None:
    """Write a map's tiles as heights: a 32-bit floating-point TIFF of the map's size.

    Standard tags of TIFF 6.0 describe it: SampleFormat 3 (IEEE floating point), BitsPerSample 32, SMinSampleValue and
    SMaxSampleValue, and XResolution, YResolution and ResolutionUnit (the centimetre if ``pixel_um`` is known, otherwise no
    absolute unit). ImageDescription gives unit, zero, direction and each frame's height, as JSON.
    """
    offsets, counts, low, high = [], [], np.inf, -np.inf
    with open(path, "wb") as file:
        file.seek(16)
        for tile in tiles:
            heights = heights_of(decode_tile(tile, 1)[:, :, 0], scale)
            if np.isfinite(heights).any():
                low, high = min(low, float(np.nanmin(heights))), max(high, float(np.nanmax(heights)))
            data = bytes(imagecodecs.deflate_encode(heights.astype("<f4").tobytes(), level=1))
            offsets.append(file.tell())
            counts.append(len(data))
            file.write(data + b"\0" * (len(data) & 1))
        tags = _tags(size, offsets, counts) | _resolution(pixel_um)
        tags |= {
            tiff_tags.IMAGE_DESCRIPTION: ascii_tag(_described(scale)),
            tiff_tags.SOFTWARE: ascii_tag(software),
        }
        if np.isfinite(low):
            tags |= {
                tiff_tags.S_MIN_SAMPLE_VALUE: _float_tag(low),
                tiff_tags.S_MAX_SAMPLE_VALUE: _float_tag(high),
            }
        write_directories(file, [tags], {}, {})


def _tags(size: tuple[int, int], offsets: list[int], counts: list[int]) -> Tags:
    return {
        tiff_tags.NEW_SUBFILE_TYPE: long_tag(0),
        tiff_tags.IMAGE_WIDTH: long_tag(size[0]),
        tiff_tags.IMAGE_LENGTH: long_tag(size[1]),
        tiff_tags.BITS_PER_SAMPLE: short_tag(32),
        tiff_tags.COMPRESSION: short_tag(8),
        tiff_tags.PHOTOMETRIC: short_tag(1),
        tiff_tags.ORIENTATION: short_tag(1),
        tiff_tags.SAMPLES_PER_PIXEL: short_tag(1),
        tiff_tags.PLANAR_CONFIGURATION: short_tag(1),
        tiff_tags.TILE_WIDTH: short_tag(TILE),
        tiff_tags.TILE_LENGTH: short_tag(TILE),
        tiff_tags.TILE_OFFSETS: offsets_tag(offsets),
        tiff_tags.TILE_BYTE_COUNTS: long_tag(*counts),
        tiff_tags.SAMPLE_FORMAT: short_tag(3),
    }


def _float_tag(value: float) -> Tag:
    return Tag(FLOAT, 1, np.array([value], "<f4").tobytes())


def _resolution(pixel_um: float | None) -> Tags:
    """Resolution of the map, each of whose pixels is as wide as two of the picture's."""
    if pixel_um is None:
        return {
            tiff_tags.X_RESOLUTION: rational_tag((1, 1)),
            tiff_tags.Y_RESOLUTION: rational_tag((1, 1)),
            tiff_tags.RESOLUTION_UNIT: short_tag(NOT_TOLD),
        }
    each = rational_tag((10_000_000, max(1, round(2000 * pixel_um))))
    return {
        tiff_tags.X_RESOLUTION: each,
        tiff_tags.Y_RESOLUTION: each,
        tiff_tags.RESOLUTION_UNIT: short_tag(CENTIMETRE),
    }


def _described(scale: Scale) -> str:
    told = {
        "unit": scale.unit,
        "known_by": scale.why,
        "zero": "plane of focus of the farthest frame",
        "up": "towards the lens",
        "unknown": "NaN",
        "frames": [round(h, 4) for h in scale.heights],
    }
    return json.dumps({FORMAT: told})


def relief(values: NDArray[np.uint16], scale: Scale) -> NDArray[np.uint8]:
    """The heights of a small map as a shaded picture (h, w, 3), lit from the upper left and coloured by height."""
    heights = heights_of(values, scale)
    low, high = float(np.nanmin(heights, initial=np.inf)), float(np.nanmax(heights, initial=-np.inf))
    span = high - low if high > low else 1.0
    level = np.nan_to_num((heights - low) / span, nan=0.0).astype(np.float32)
    smooth = cv2.GaussianBlur(cv2.medianBlur(level, 5) if min(level.shape) > 4 else level, (0, 0), 1.2)
    steep = np.float32(RELIEF * max(level.shape))
    dy, dx = (np.gradient(smooth, axis=a) * steep if smooth.shape[a] > 1 else 0 * smooth for a in (0, 1))
    light = (-dx * SUN[0] - dy * SUN[1] + SUN[2]) / np.sqrt(dx * dx + dy * dy + 1)
    place = smooth * (len(RAMP) - 1)
    left = np.clip(place.astype(np.int32), 0, len(RAMP) - 2)
    part = (place - left)[..., None]
    colour = RAMP[left] * (1 - part) + RAMP[left + 1] * part
    shaded = (0.35 * colour + 0.65 * 255 * 0.8) * np.clip(light, 0, 1)[..., None] + 0.25 * colour
    shaded[values == 0] = 0
    return np.asarray(np.clip(shaded + 0.5, 0, 255), np.uint8)
