"""Kernel calls of survey, focus and render: NumPy arrays in, NumPy arrays out (survey.c, cells.c, render.c)."""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Callable, Sequence
from ctypes import POINTER, byref, c_float, c_int, c_int32, c_int64, c_void_p
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge.kernel.bend import F64, MOST_BEND, MOST_STEEP, Bend, table_of
from nearfar.merge.kernel.loader import Pixels, PixelsStruct, library, pointer

CELL = 16
CURVE_STEPS = 16384
MOST_ROLL, MOST_SCALE = 10, 2
"""Largest roll in degrees, and scale, of a frame against the reference that warp.h has room for."""
PRIOR_UNIT = 8192
"""The prior is held as whole numbers, this many for 1.0."""

F32 = NDArray[np.float32]
Fill = tuple[NDArray[np.int32], NDArray[np.uint16]]
"""Runs (r, 4) of pixels to fill and the samples (p, 3) to take there: row, column, length and first sample of each run,
sorted by row.
"""


class StackStruct(ctypes.Structure):
    """``nf_stack`` of render.c."""

    _fields_ = [
        *[
            (name, c_int32)
            for name in (
                *("frames", "width", "height", "cols", "rows"),
                *("order", "mapped", "spot_count"),
            )
        ],
        ("pixels", POINTER(PixelsStruct)),
        *[(name, c_void_p) for name in ("poses", "prior", "admitted", "variance")],
        *[(name, c_float) for name in ("channel", "band0", "band1")],
        *[(name, c_float) for name in ("prior_weight", "behind", "agreement", "quiet", "spread")],
        *[(name, c_float) for name in ("told_flat", "told_sharp", "clear")],
        ("net", c_void_p),
        ("spots", c_void_p),
        ("bends", c_void_p),
    ]


_ARGUMENTS: dict[str, tuple[Any, list[Any]]] = {
    "nf_lay_out8": (None, [c_void_p, c_void_p, c_int64, c_int64]),
    "nf_lay_out16": (None, [c_void_p, c_void_p, c_int64, c_int64]),
    "nf_lay_out_planes": (None, [c_void_p, c_void_p, c_int64, c_int64, c_int]),
    "nf_colour_row": (None, [POINTER(PixelsStruct), c_int, c_void_p]),
    "nf_measure_bytes": (c_int64, []),
    "nf_measure": (None, [POINTER(PixelsStruct), *[c_int] * 5, *[c_void_p] * 5]),
    "nf_grid_warp": (None, [c_void_p, c_void_p, c_int, c_int, c_void_p, c_void_p]),
    "nf_grid_blur": (None, [c_void_p, c_void_p, c_int, c_int, c_void_p, c_int, c_void_p]),
    "nf_grid_grow": (None, [c_void_p, c_void_p, c_int, c_int]),
    "nf_render_bytes": (c_int64, [c_int, c_int, c_int]),
    "nf_render_tile": (
        c_int,
        [
            *[POINTER(StackStruct), c_int, c_int, c_int],
            *[c_void_p, c_int64, c_void_p, c_int64, c_void_p, c_void_p, c_int64],
        ],
    ),
    "nf_halve": (None, [c_void_p, c_int, c_int, c_int, c_int64, c_void_p, c_int64]),
}


@functools.cache
def _call(name: str) -> Callable[..., Any]:
    function = getattr(library(), name)
    function.restype, function.argtypes = _ARGUMENTS[name]
    return function  # type: ignore[no-any-return]


def lay_out_rows(rows: NDArray[Any], blocks: NDArray[Any]) -> None:
    """Up to 64 rows (r, width, 3) of uint8 or uint16 to a row of blocks (ceil(width / 64), 3, 64, 64)."""
    name = "nf_lay_out8" if rows.dtype == np.uint8 else "nf_lay_out16"
    _call(name)(pointer(rows), pointer(blocks), rows.shape[1], rows.shape[0])


def lay_out_planes(rows: NDArray[np.uint8], blocks: NDArray[np.uint8], down: int) -> None:
    """Up to 64 rows (r, width, 3) of luma and chroma, of which chroma is repeated across, and down where ``down`` is 2, to a
    row of blocks (ceil(width / 64), bytes of a block).
    """
    _call("nf_lay_out_planes")(pointer(rows), pointer(blocks), rows.shape[1], rows.shape[0], down - 1)


def every(pixels: Pixels, step: int, start: int = 0) -> NDArray[Any]:
    """Every ``step``-th pixel of every ``step``-th row, from ``start`` on, (h, w, 3)."""
    height, width = pixels.shape
    if not pixels.down:
        return np.ascontiguousarray(pixels.at(*np.ogrid[start:height:step, start:width:step]))
    row = np.empty((3, width), np.uint8)
    rows, columns = range(start, height, step), range(start, width, step)
    out = np.empty((len(rows), len(columns), 3), np.uint8)
    struct = pixels.struct()
    for y, into in zip(rows, out, strict=True):
        _call("nf_colour_row")(byref(struct), y, pointer(row))
        into[...] = row[:, start::step].T
    return out


def grid_shape(width: int, height: int) -> tuple[int, int]:
    """Rows and columns of the grid of cells of 16 pixels that covers a picture."""
    return -(-height // CELL), -(-width // CELL)


def measure(
    pixels: Pixels, curve: F32, rows: tuple[int, int], energy: F32, mean: F32, small: NDArray[np.uint16]
) -> None:
    """Measure the rows of cells ``rows[0]`` to ``rows[1]`` of one frame.

    Parameters
    ----------
    curve
        Encoded luma to linear light at ``k / 16384``, (16385,), not negative.
    energy
        (3, R, C), filled: mean squared luma band per cell, bands at full, half and quarter size.
    mean
        (R, C), filled: mean encoded luma.
    small
        (height // 4, width // 4), filled: linear-light luma, 65535 for 1.
    """
    struct = pixels.struct()
    work = np.empty(_call("nf_measure_bytes")(), np.uint8)
    _call("nf_measure")(
        *(byref(struct), pixels.ring, *rows, *mean.shape, pointer(curve)),
        *(pointer(energy), pointer(mean), pointer(small), pointer(work)),
    )


def warp_grid(grid: F32, pose: NDArray[np.float64], bend: Bend | None = None) -> F32:
    """A grid of cells (R, C) seen through ``pose`` (2, 3, in cells) and ``bend``: bilinear, its edge goes on outside."""
    out = np.empty_like(grid)
    pose = np.ascontiguousarray(pose, np.float64)
    bent = None if bend is None else bend.numbers()
    _call("nf_grid_warp")(
        *(pointer(grid), pointer(out), *grid.shape, pointer(pose)), None if bent is None else pointer(bent)
    )
    return out


@functools.cache
def gaussian_taps(sigma: float) -> F32:
    """Half kernel of a Gaussian out to three sigma, middle first, in whole 65536ths: the same on every machine."""
    reach = max(1, int(3 * sigma + 0.5))
    raw = np.exp(-0.5 * (np.arange(reach + 1) / sigma) ** 2)
    taps = np.round(raw / (raw[0] + 2 * raw[1:].sum()) * 65536)
    taps[0] = 65536 - 2 * taps[1:].sum()
    return np.asarray(taps / 65536, np.float32)


def blur_grid(grid: F32, sigma: float) -> F32:
    """Gaussian of ``sigma`` cells over a grid (R, C), mirrored at its edges."""
    taps = gaussian_taps(sigma)
    out, work = np.empty_like(grid), np.empty_like(grid)
    _call("nf_grid_blur")(
        pointer(grid), pointer(out), *grid.shape, pointer(taps), len(taps) - 1, pointer(work)
    )
    return out


def grow_grid(grid: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Admission grown by one cell in all eight directions."""
    out = np.empty_like(grid)
    _call("nf_grid_grow")(pointer(grid), pointer(out), *grid.shape)
    return out


def halve(picture: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """(h, w, c) of 16 bit to half size, sizes rounded up, the mean of 2 x 2 rounded to nearest."""
    rows, cols, channels = picture.shape
    out = np.empty(((rows + 1) // 2, (cols + 1) // 2, channels), np.uint16)
    _call("nf_halve")(
        pointer(picture), rows, cols, channels, cols * channels, pointer(out), out.shape[1] * channels
    )
    return out


def render_bytes(tile: int, frames: int, *, learned: bool = False) -> int:
    """Work memory that a tile of that edge takes when so many frames are admitted in it."""
    return int(_call("nf_render_bytes")(tile, frames, int(learned)))


@dataclass(frozen=True, kw_only=True)
class TileFrame:
    """A frame as the tile kernel takes it."""

    pixels: Pixels
    """Its own table is not used."""
    pose: F64
    """(2, 3), from places of the picture to the frame's, px."""
    table: F32 | None = None
    """From a sample to the encoded value, 0..1; None: the sample as it is."""
    bend: Bend | None = None
    """What it is bent by beyond its pose."""
    fill: Fill | None = None


class TileKernel:
    """The stack as the tile kernel sees it. Keeps every array that the structure points to alive.

    Parameters
    ----------
    size
        Width and height of the picture, px.
    frames
        The n frames.
    prior, admitted
        (R, n, C) uint16 in 8192ths and uint8.
    variance
        (R, C) float32, squared noise of one channel of a frame.
    order
        1 where the first frame is focused nearest, -1 where the last one is, 0 where that is not known.
    numbers
        The structure's float fields by name.
    mapped
        All pixels are shared maps of files, whose pages may be given back as soon as they are read. Never say so of
        memory that is not a file's: it would be lost.
    net
        Weights of the learned chooser (float32, in the order of its file), or None for the rule alone.
    spots
        (m, 3) float32: x, y and reach in frame pixels, sorted by y, of places that count less in every frame.

    Raises
    ------
    WorkFailed
        A frame is rolled, scaled or bent further than there is room for.
    """

    def __init__(
        self,
        *,
        size: tuple[int, int],
        frames: Sequence[TileFrame],
        prior: NDArray[np.uint16],
        admitted: NDArray[np.uint8],
        variance: F32,
        order: int,
        numbers: dict[str, float],
        mapped: bool = False,
        net: F32 | None = None,
        spots: F32 | None = None,
    ) -> None:
        self._kept = (tuple(frames), prior, admitted, net, spots)
        self.learned = net is not None
        self._poses = checked_poses(np.stack([f.pose for f in frames]).astype(np.float64))
        self._bends = checked_bends(table_of([f.bend for f in frames]))
        self._variance = np.ascontiguousarray(variance, np.float32)
        self._structs = (PixelsStruct * len(frames))(*(_struct(f) for f in frames))
        rows, self.frames, cols = admitted.shape
        self._stack = StackStruct(
            *(self.frames, *size, cols, rows, order, int(mapped), 0 if spots is None else len(spots)),
            ctypes.cast(self._structs, POINTER(PixelsStruct)),
            *(a.ctypes.data for a in (self._poses, prior, admitted, self._variance)),
            **numbers,
            net=None if net is None else net.ctypes.data,
            spots=None if spots is None else spots.ctypes.data,
            bends=None if self._bends is None else self._bends.ctypes.data,
        )

    def render(
        self,
        tile: int,
        x: int,
        y: int,
        out: NDArray[np.uint16],
        map_out: NDArray[np.uint16],
        share: NDArray[np.float64],
        work: NDArray[np.uint8],
    ) -> int:
        """Render the tile at (x, y); ``out`` and ``map_out`` are views whose rows may lie apart.

        Returns the number of frames that took part, or minus that number where ``work`` is too small.
        """
        return int(
            _call("nf_render_tile")(
                *(byref(self._stack), tile, x, y),
                *(c_void_p(out.ctypes.data), out.strides[0] // 2),
                *(c_void_p(map_out.ctypes.data), map_out.strides[0] // 2),
                *(pointer(share), pointer(work), work.size),
            )
        )


def _struct(frame: TileFrame) -> PixelsStruct:
    struct = frame.pixels.struct()
    struct.table = None if frame.table is None else frame.table.ctypes.data
    if frame.fill is not None:
        runs, fill = frame.fill
        struct.runs, struct.fill, struct.run_count = runs.ctypes.data, fill.ctypes.data, len(runs)
    return struct


def checked_poses(poses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Raise `WorkFailed` where a pose (n, 2, 3) is rolled or scaled further than a tile's work memory holds."""
    for k, (x, y) in enumerate(poses):
        scale, roll = np.hypot(x[0], y[0]), np.degrees(np.arctan2(y[0], x[0]))
        if not (abs(roll) <= MOST_ROLL and 1 / MOST_SCALE <= scale <= MOST_SCALE):
            raise WorkFailed(
                f"used frame {k + 1}: found it rolled by {roll:.1f} degrees and scaled by {scale:.3f} against the "
                f"reference; expected at most {MOST_ROLL} degrees and a scale from {1 / MOST_SCALE} to {MOST_SCALE}. "
                "Leave it out, or take a reference nearer to it with --reference"
            )
    return poses


def checked_bends(bends: F64 | None) -> F64 | None:
    """Raise `WorkFailed` where a frame (n, `NUMBERS`) is bent further than a tile's work memory holds."""
    for k, (largest, steep) in enumerate(() if bends is None else bends[:, 3:5]):
        if not (largest <= MOST_BEND and steep <= MOST_STEEP):
            raise WorkFailed(
                f"used frame {k + 1}: found it bent by {largest:.1f} px, by {100 * steep:.1f} % at the most; expected at "
                f"most {MOST_BEND} px and {100 * MOST_STEEP:g} %. Leave it out, or run the job again"
            )
    return bends


def checked_frames(count: int) -> int:
    """Raise `WorkFailed` where a tile has no frame at all: every place must have one."""
    if count == 0:
        raise WorkFailed(
            "no frame is admitted for a tile: the focus map is damaged; remove the scratch folder"
        )
    return count
