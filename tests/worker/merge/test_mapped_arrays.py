"""Arrays in mapped files: what is written stays, whether or not pages are given back, and leaves nothing behind."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from nearfar.merge.mapped_arrays import MappedArrays
from nearfar.merge.memory import resident

MIB = 1 << 20


def test_what_is_written_is_there_after_the_pages_were_given_back(tmp_path: Path) -> None:
    mapped = MappedArrays.passing(tmp_path, [(np.uint16, (3, 5)), (np.float32, (7,)), (np.uint8, (2, 2, 2))])
    written = [np.arange(a.size, dtype=a.dtype).reshape(a.shape) for a in mapped.arrays]
    for array, values in zip(mapped.arrays, written, strict=True):
        array[...] = values
    mapped.forget()
    for array, values in zip(mapped.arrays, written, strict=True):
        np.testing.assert_array_equal(array, values)


def test_pages_that_are_given_back_count_no_more(tmp_path: Path) -> None:
    size = 64 * MIB
    mapped = MappedArrays.passing(tmp_path, [(np.uint8, (size,))])
    before = resident()
    mapped.arrays[0][:] = 1
    touched = resident() - before
    mapped.forget()
    assert touched > 0.9 * size
    assert resident() - before < 0.1 * size


def test_a_passing_file_has_no_name(tmp_path: Path) -> None:
    mapped = MappedArrays.passing(tmp_path, [(np.uint8, (100,))])
    assert list(tmp_path.iterdir()) == []
    assert mapped.arrays[0].sum() == 0


def test_a_named_file_holds_the_arrays_one_after_the_other(tmp_path: Path) -> None:
    path = tmp_path / "F1.volume"
    path.write_bytes(bytes(12))
    with open(path, "r+b") as file:
        mapped = MappedArrays(file.fileno(), [(np.uint16, (2, 2)), (np.uint8, (4,))], write=True)
    mapped.arrays[0][...] = 0x0201
    mapped.arrays[1][...] = 7
    assert path.read_bytes() == bytes([1, 2] * 4 + [7] * 4)


def test_a_file_that_is_too_short_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "short"
    path.write_bytes(bytes(3))
    descriptor = os.open(path, os.O_RDONLY)
    with pytest.raises(ValueError, match="mmap length is greater than file size"):
        MappedArrays(descriptor, [(np.uint8, (4,))], write=False)
    os.close(descriptor)


def test_what_is_mapped_to_be_read_is_not_written_to(tmp_path: Path) -> None:
    path = tmp_path / "read"
    path.write_bytes(bytes(4))
    with open(path, "rb") as file:
        mapped = MappedArrays(file.fileno(), [(np.uint8, (4,))], write=False)
    with pytest.raises(ValueError, match="read-only"):
        mapped.arrays[0][0] = 1
