"""Calls the kernel's warp of one window by itself, which is otherwise a part of the tile call."""

from __future__ import annotations

import ctypes
from ctypes import POINTER, c_float, c_int, c_int16, c_void_p
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.loader import PixelsStruct, library
from nearfar.merge.kernel.picture_calls import render_bytes
from nearfar.merge.kernel.twin_warp import Carried
from tests.worker.merge.kernel.stacks import pixels_of


class Planes(ctypes.Structure):
    """``nf_planes`` of warp.h."""

    _fields_ = [
        ("colour", POINTER(c_int16)),
        *[(name, POINTER(c_float)) for name in ("fine", "square", "half_luma")],
    ]


class Box(ctypes.Structure):
    """``nf_box`` of warp.h."""

    _fields_ = [(name, c_int) for name in ("x0", "y0", "x1", "y1")]


def carry(
    samples: NDArray[Any],
    table: NDArray[np.float32] | None,
    pose: NDArray[np.float64],
    left: int,
    top: int,
    width: int,
    height: int,
    box: tuple[int, int, int, int] | None = None,
    layout: str = "blocks",
    bend: Bend | None = None,
) -> Carried:
    """What `twin_warp.carry` specifies, by the kernel; outside of ``box`` (x0, y0, x1, y1) the planes are 0."""
    half = (height // 2, width // 2)
    out = Carried(
        colour=np.zeros((3, height, width), np.int16),
        fine=np.zeros((height, width), np.float32),
        square=np.zeros(half, np.float32),
        half_luma=np.zeros(half, np.float32),
    )
    planes = Planes(
        out.colour.ctypes.data_as(POINTER(c_int16)),
        *(a.ctypes.data_as(POINTER(c_float)) for a in (out.fine, out.square, out.half_luma)),
    )
    pixels = pixels_of(samples, layout)
    struct = pixels.struct()
    struct.table = table.ctypes.data if table is not None else None
    pose = np.ascontiguousarray(pose, np.float64)
    work = np.full(render_bytes(256, 1) // 4, np.nan, np.float32)  # more than the warp alone takes
    function = library().nf_warp_window
    function.restype = None
    function.argtypes = [
        POINTER(PixelsStruct),
        *[c_void_p] * 2,
        *[c_int] * 4,
        Box,
        c_void_p,
        Planes,
        c_void_p,
    ]
    bent = None if bend is None else bend.numbers()
    function(
        ctypes.byref(struct),
        *(pose.ctypes.data, None if bent is None else bent.ctypes.data),
        *(left, top, width, height),
        Box(*(box or (0, 0, width, height))),
        None,
        planes,
        work.ctypes.data,
    )
    return out
