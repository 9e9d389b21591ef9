"""Named arrays in a file: back bit for bit, only those asked for, and never where a single bit of them fell over."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.stored_arrays import read_arrays, write_arrays


def stored(arrays: dict[str, NDArray[Any]]) -> bytes:
    file = io.BytesIO()
    write_arrays(file, arrays)
    return file.getvalue()


@pytest.mark.parametrize("dtype", ["u1", "<u2", "<f4", "<f8", "<i2"])
def test_every_type_and_shape_comes_back(rng: np.random.Generator, dtype: str) -> None:
    shapes: dict[str, tuple[int, ...]] = {"cube": (3, 4, 5), "none": (0, 7), "number": (), "row": (9,)}
    arrays = {name: np.asarray(rng.random(shape) * 200).astype(dtype) for name, shape in shapes.items()}
    arrays["turned"] = np.asfortranarray(arrays["cube"][0])
    arrays["part"] = arrays["cube"][:, ::2]
    for name, found in zip(arrays, read_arrays(io.BytesIO(stored(arrays)), list(arrays)), strict=True):
        np.testing.assert_array_equal(found, arrays[name], strict=True)


def test_every_bit_that_falls_over_is_found(rng: np.random.Generator) -> None:
    array = rng.random(7).astype(np.float32)
    whole = stored({"a": array})
    for place in range(len(whole)):
        for bit in (1, 128):
            spoilt = whole[:place] + bytes([whole[place] ^ bit]) + whole[place + 1 :]
            try:
                (found,) = read_arrays(io.BytesIO(spoilt), ["a"])
            except (ValueError, KeyError, TypeError, OverflowError):
                continue
            np.testing.assert_array_equal(found, array)


def test_a_file_that_ends_early_is_found(rng: np.random.Generator) -> None:
    whole = stored({"a": rng.random((4, 4)), "b": rng.random(5)})
    for size in range(len(whole)):
        with pytest.raises((ValueError, KeyError)):
            read_arrays(io.BytesIO(whole[:size]), ["a", "b"])
