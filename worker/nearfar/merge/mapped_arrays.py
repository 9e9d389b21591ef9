"""Arrays in mapped files, of which a process need not hold more than the pages that it uses at the moment."""

from __future__ import annotations

import mmap
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import DTypeLike, NDArray


class MappedArrays:
    """Arrays that lie one after the other in a file.

    Parameters
    ----------
    descriptor
        Of an open file that is large enough; may be closed afterwards.
    arrays
        Type and shape of each.
    write
        Whether they may be written to. What is written is in the file, whether or not pages are given back.
    """

    def __init__(
        self, descriptor: int, arrays: Sequence[tuple[DTypeLike, tuple[int, ...]]], *, write: bool
    ) -> None:
        access = mmap.PROT_READ | (mmap.PROT_WRITE if write else 0)
        self._map = mmap.mmap(descriptor, _size(arrays), prot=access)
        self.arrays: list[NDArray[Any]] = []
        offset = 0
        for dtype, shape in arrays:
            array: NDArray[Any] = np.ndarray(shape, dtype, buffer=self._map, offset=offset)
            self.arrays.append(array)
            offset += array.nbytes

    @classmethod
    def passing(cls, folder: Path, arrays: Sequence[tuple[DTypeLike, tuple[int, ...]]]) -> Self:
        """Arrays of zeros to write to, in a file without a name: it is gone with them, however the process ends."""
        with tempfile.TemporaryFile(dir=folder) as file:
            os.posix_fallocate(file.fileno(), 0, _size(arrays))
            return cls(file.fileno(), arrays, write=True)

    def forget(self) -> None:
        """Give the pages back to the system; those that are used again come from the file."""
        self._map.madvise(mmap.MADV_DONTNEED)


def _size(arrays: Sequence[tuple[DTypeLike, tuple[int, ...]]]) -> int:
    return max(1, sum(np.dtype(dtype).itemsize * int(np.prod(shape)) for dtype, shape in arrays))
