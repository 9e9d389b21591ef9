"""A frame's energies in the picture's geometry, as coverage and the passes of the focus step see them.

All of them want the same grids of a frame. Those for which there is memory are held, the others are read and carried again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import F64, Bend
from nearfar.merge.kernel.picture_calls import CELL, warp_grid
from nearfar.merge.noise import Noise

F32 = NDArray[np.float32]

GAMMA = 2.2
"""Encoded values go about as its inverse power of light."""
LARGE = 6_000_000
"""Pixels of a frame from which its small picture is looked at by an eighth of its size instead of a quarter."""


@dataclass(frozen=True, kw_only=True)
class Seen:
    """Energies less noise (3, R, C), at least 0, mean luma (R, C), and the noise's variance there. Not to be written to."""

    energy: F32
    luma: F32
    variance: F32


Name = tuple[object, ...]
"""All that decides what is seen of a frame."""


class Held:
    """What was seen of the frames of one stack, up to ``room`` bytes; may be used from several threads at once."""

    def __init__(self, room: int) -> None:
        self.room = room
        self._lock = threading.Lock()
        self._seen: dict[Name, Seen] = {}
        self._taken = 0

    def get(self, name: Name) -> Seen | None:
        """What is held, if anything."""
        return self._seen.get(name)

    def put(self, name: Name, seen: Seen) -> None:
        """Hold it if there is room."""
        size = seen.energy.nbytes + seen.luma.nbytes + seen.variance.nbytes
        with self._lock:
            if name not in self._seen and self._taken + size <= self.room:
                self._taken += size
                self._seen[name] = seen

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._seen.clear()
            self._taken = 0


@dataclass(frozen=True, kw_only=True)
class FocusFrame:
    """A frame as the focus step sees it: how to read its survey, and its pose."""

    read: Callable[[], tuple[F32, F32]]
    """Energies (3, R, C) and mean luma (R, C) in the frame's own geometry."""
    pose: NDArray[np.float64]
    gain_ev: float
    bend: Bend | None = None
    spotted: NDArray[np.bool_] | None = None
    """Cells (R, C), in its own geometry, that are partly filled, so that their energies are not used."""
    key: str = ""
    """Of its survey."""
    held: Held | None = None
    """Where to keep what is seen of it; if given, so is ``key``."""

    @property
    def name(self) -> Name:
        """All that decides what is seen of it; frames with the same bytes have the same key, but poses of their own."""
        bent = b"" if self.bend is None else self.bend.numbers().tobytes()
        return self.key, self.pose.tobytes(), self.gain_ev, bent, self.spotted is not None

    @property
    def to_level(self) -> float:
        """Factor that brings its encoded values to the stack's brightness.

        They go about as the 1/2.2th power of light: a rule of thumb, good enough for a tenth of an EV.
        """
        return float(2.0 ** (-self.gain_ev / GAMMA))

    @property
    def energy_to_level(self) -> float:
        """The same for energies, which go as the square of encoded values."""
        return float(2.0 ** (-2 * self.gain_ev / GAMMA))


def see(frame: FocusFrame, noise: Noise) -> Seen:
    """A frame's grids, held or made now."""
    if frame.held is None:
        return _made(frame, noise)
    found = frame.held.get(frame.name)
    if found is None:
        found = _made(frame, noise)
        frame.held.put(frame.name, found)
    return found


def _made(frame: FocusFrame, noise: Noise) -> Seen:
    energy, mean = frame.read()
    if frame.spotted is not None:
        energy = np.stack([around_spots(e, frame.spotted) for e in energy])
    pose = cell_pose(frame.pose)
    luma = warp_grid(mean, pose, frame.bend)
    out = np.stack([warp_grid(np.ascontiguousarray(e), pose, frame.bend) for e in energy])
    out *= np.float32(frame.energy_to_level)
    variance = noise.at(luma)
    for band in range(3):
        out[band] -= variance * noise.white(band)
    np.maximum(out, 0, out=out)
    for grid in (out, luma, variance):
        grid.flags.writeable = False
    return Seen(energy=out, luma=luma, variance=variance)


def cell_pose(pose: NDArray[np.float64]) -> NDArray[np.float64]:
    """A pose in pixels, (2, 3), turned into one between indices of cells; cell i has its centre at 16 i + 7.5."""
    out = np.array(pose, np.float64)
    middle = (CELL - 1) / 2
    out[:, 2] = (out[:, 0] * middle + out[:, 1] * middle + out[:, 2] - middle) / CELL
    return out


def around_spots(grid: F32, spotted: NDArray[np.bool_]) -> F32:
    """The grid with spotted cells replaced by the mean of the unspotted cells beside them, if there are any."""
    clean = np.pad(np.where(spotted, np.float32(0), np.float32(1)), 1)
    value = np.pad(grid, 1) * clean
    total, count = np.zeros_like(grid), np.zeros_like(grid)
    rows, cols = grid.shape
    for dy in range(3):
        for dx in range(3):
            total += value[dy : dy + rows, dx : dx + cols]
            count += clean[dy : dy + rows, dx : dx + cols]
    return np.asarray(
        np.where(spotted & (count > 0), total / np.maximum(count, np.float32(1)), grid), np.float32
    )


def side_of(size: tuple[int, int]) -> int:
    """Pixels along one side of a place in a pattern."""
    return 8 if size[0] * size[1] > LARGE else 4


def small_plane(
    small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int], *, root: bool = False
) -> F32:
    """A frame's ``small`` picture, means of 4 x 4 pixels, in the picture's geometry: so many places a cell each way.

    ``root``: of the square root of light.
    """
    side = side_of(size)
    if side == 8:
        small = np.asarray(cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32)
    if root:
        small = np.sqrt(small)
    pose = np.array(frame.pose, np.float64)
    middle = (side - 1) / 2
    pose[:, 2] = (pose[:, :2] @ (middle, middle) + pose[:, 2] - middle) / side
    each = CELL // side
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    whole = (shape[1] * each, shape[0] * each)
    if frame.bend is not None:
        return _bent(small, pose, frame.bend, whole, side)
    plane = cv2.warpAffine(small, pose, whole, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(plane, np.float32)


def _bent(plane: F32, pose: F64, bend: Bend, whole: tuple[int, int], side: int) -> F32:
    """The same of a frame that is bent beyond its pose; places count ``side`` pixels."""
    y, x = np.mgrid[: whole[1], : whole[0]].astype(np.float64)
    middle = (side - 1) / 2
    du, dv = bend.at(side * x + middle, side * y + middle)
    u, v = (p[0] * x + p[1] * y + p[2] + d / side for p, d in zip(pose, (du, dv), strict=True))
    maps = (u.astype(np.float32), v.astype(np.float32))
    return np.asarray(cv2.remap(plane, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def light_of_cells(small: F32, frame: FocusFrame, size: tuple[int, int], shape: tuple[int, int]) -> F32:
    """Mean (R, C) of the square root of a frame's light over the picture's cells, at the stack's brightness.

    That is about its encoded luma. But means of a frame's own cells, carried, change with the place of strong detail in
    them, and those of encoded pixels with the blur of what is fine.
    """
    plane = small_plane(small * np.float32(2.0**-frame.gain_ev), frame, size, shape, root=True)
    return np.asarray(cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_AREA), np.float32)
