"""Finds and opens the kernel library that suits this processor, and describes its structures to ctypes.

ctypes releases the interpreter lock during a call, so Python threads run kernel calls side by side.
"""

from __future__ import annotations

import ctypes
import functools
import os
import platform
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge.kernel.planes import block_bytes, colours_at
from nearfar.merge.kernel.sources import digest_of

FOLDER = Path(__file__).parent
BLOCK = 64
"""Edge of the blocks of a frame that was laid out in scratch, pixels."""
V3_FLAGS = {"avx", "avx2", "bmi1", "bmi2", "f16c", "fma", "movbe"}
V4_FLAGS = V3_FLAGS | {"avx512f", "avx512bw", "avx512cd", "avx512dq", "avx512vl"}


class PixelsStruct(ctypes.Structure):
    """``nf_pixels`` of nearfar.h."""

    _fields_ = [
        ("base", ctypes.c_void_p),
        ("row", ctypes.c_int64),
        ("pixel", ctypes.c_int64),
        ("plane", ctypes.c_int64),
        ("width", ctypes.c_int32),
        ("height", ctypes.c_int32),
        ("bits", ctypes.c_int32),
        ("blocks", ctypes.c_int32),
        ("chroma", ctypes.c_int32),
        ("table", ctypes.c_void_p),
        ("runs", ctypes.c_void_p),
        ("fill", ctypes.c_void_p),
        ("run_count", ctypes.c_int64),
    ]


@dataclass(frozen=True, kw_only=True)
class Pixels:
    """Full-size pixels of one frame, seen through a mapped file or an array.

    ``samples`` is an (h, w, 3) view of uint8 or uint16 in any stride order, or, with ``size`` (width, height), the
    picture in blocks: (rows of blocks, columns of blocks, 3, 64, 64), contiguous. ``table`` turns a sample into a
    value (float32, 256 or 65536 entries). With ``ring`` there are only so many rows of blocks, each in place of the one
    that many before; only `picture_calls.measure` takes such. With ``down`` the blocks hold luma and chroma, (rows of
    blocks, columns of blocks, bytes) of uint8, see `planes`: 1 where chroma is halved across, 2 where down as well.
    """

    samples: NDArray[Any]
    table: NDArray[np.float32]
    owner: Any = field(default=None, repr=False)
    size: tuple[int, int] | None = None
    ring: int = 0
    down: int = 0

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        return (self.size[1], self.size[0]) if self.size else (self.samples.shape[0], self.samples.shape[1])

    def picture(self) -> NDArray[Any]:
        """The samples as (h, w, 3); a copy where they lie in blocks."""
        if self.size is None:
            return self.samples
        if self.down:
            return self.at(*np.ogrid[: self.size[1], : self.size[0]])
        rows, cols = self.samples.shape[:2]
        whole = self.samples.transpose(0, 3, 1, 4, 2).reshape(rows * BLOCK, cols * BLOCK, 3)
        return whole[: self.size[1], : self.size[0]]

    def at(self, y: Any, x: Any) -> NDArray[Any]:
        """Samples (..., 3) at places inside the frame."""
        if self.size is None:
            return np.asarray(self.samples[y, x])
        if self.down:
            return colours_at(self.samples, self.size, self.down, y, x)
        return np.asarray(self.samples[y // BLOCK, x // BLOCK, :, y % BLOCK, x % BLOCK])

    def struct(self) -> PixelsStruct:
        """The C view. Keep this object alive for as long as the structure is in use."""
        s = self.samples
        if self.size is not None:
            return self._block_struct(self.size)
        if s.ndim != 3 or s.shape[2] != 3 or s.dtype not in (np.uint8, np.uint16):
            raise WorkFailed(f"pixels must be (h, w, 3) of uint8 or uint16, not {s.shape} of {s.dtype}")
        self._check_table()
        row, pixel, plane = (stride // s.itemsize for stride in s.strides)
        return PixelsStruct(
            s.ctypes.data,
            row,
            pixel,
            plane,
            s.shape[1],
            s.shape[0],
            8 * s.itemsize,
            0,
            0,
            self.table.ctypes.data,
        )

    def _check_table(self) -> None:
        if self.table.dtype != np.float32 or self.table.size != 1 << (8 * self.samples.itemsize):
            raise WorkFailed(f"the table has {self.table.size} entries of {self.table.dtype}")

    def _block_struct(self, size: tuple[int, int]) -> PixelsStruct:
        s = self.samples
        each: tuple[int, ...] = (block_bytes(self.down),) if self.down else (3, BLOCK, BLOCK)
        expected = (self.ring or -(-size[1] // BLOCK), -(-size[0] // BLOCK), *each)
        kinds = (np.uint8,) if self.down else (np.uint8, np.uint16)
        if s.shape != expected or not s.flags.c_contiguous or s.dtype not in kinds:
            raise WorkFailed(f"blocks must be {expected} of uint8 or uint16, not {s.shape} of {s.dtype}")
        self._check_table()
        row, plane = s.strides[0] // s.itemsize, BLOCK * BLOCK
        return PixelsStruct(
            *(s.ctypes.data, row, 1, plane, *size, 8 * s.itemsize, 1, self.down, self.table.ctypes.data),
        )


def _processor_flags() -> set[str]:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace")
    except OSError:
        return set()
    for line in text.splitlines():
        if line.startswith("flags"):
            return set(line.split(":", 1)[1].split())
    return set()


def suitable() -> list[str]:
    """Names of the builds that this processor can run, best first."""
    machine = platform.machine()
    if machine != "x86_64":
        return [machine]
    flags = _processor_flags()
    names = ["x86_64_v2"]
    if flags >= V3_FLAGS:
        names.insert(0, "x86_64_v3")
    if flags >= V4_FLAGS:
        names.insert(0, "x86_64_v4")
    return names


@functools.cache
def library() -> ctypes.CDLL:
    """The kernel library, opened once a process.

    ``NEARFAR_KERNEL`` names a build to use instead of the best, as its level or as the path of its file.

    Raises
    ------
    WorkFailed
        There is none, or it was compiled from other sources than those beside it. One named by its path is not asked.
    """
    wanted = os.environ.get("NEARFAR_KERNEL")
    names = [wanted] if wanted else suitable()
    for name in names:
        if name.endswith(".so") and Path(name).exists():
            return ctypes.CDLL(name)
        path = FOLDER / f"kernel_{name}.so"
        if path.exists():
            return _of_these_sources(path)
    raise WorkFailed(
        f"no compiled kernel for this processor in {FOLDER} (looked for {', '.join(names)}): "
        "install the package again, or run 'make setup' in a checkout"
    )


def _of_these_sources(path: Path) -> ctypes.CDLL:
    """Open a library: with structures that have changed since, its calls would end the process.

    An installed package has no sources beside it, and its library came with its calls.
    """
    opened = ctypes.CDLL(str(path))
    here = digest_of(FOLDER)
    made_from = getattr(opened, "nf_sources", None)
    if made_from is not None:
        made_from.restype = ctypes.c_char_p
    if here and (made_from is None or made_from().decode() != here):
        raise WorkFailed(
            f"{path}: it was compiled from other C sources than those in its folder: "
            "run 'make kernel' in a checkout, or install the package again"
        )
    return opened


def pointer(array: NDArray[Any]) -> ctypes.c_void_p:
    """Address of a C-contiguous array's first element."""
    if not array.flags.c_contiguous:
        raise WorkFailed("the kernel takes contiguous arrays only")
    return ctypes.c_void_p(array.__array_interface__["data"][0])
