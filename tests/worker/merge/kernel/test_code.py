"""Coded tiles: the kernel against its specification, and against what reads them."""

from __future__ import annotations

import zlib
from collections.abc import Callable

import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames import deliverable
from nearfar.merge import tile_code
from nearfar.merge.kernel import twin_code
from nearfar.merge.kernel.code_calls import coded

U16 = NDArray[np.uint16]
Maker = Callable[[np.random.Generator, tuple[int, ...]], U16]


def noise(rng: np.random.Generator, shape: tuple[int, ...]) -> U16:
    return np.asarray(30000 + rng.normal(0, 200, shape), np.uint16)


def anything(rng: np.random.Generator, shape: tuple[int, ...]) -> U16:
    return rng.integers(0, 1 << 16, shape).astype(np.uint16)


def plain(rng: np.random.Generator, shape: tuple[int, ...]) -> U16:
    return np.full(shape, rng.integers(1, 1 << 16), np.uint16)


def steep(rng: np.random.Generator, shape: tuple[int, ...]) -> U16:
    """Each step half as frequent as the one before, so that Huffman's tree is as deep as can be."""
    share = 2.0 ** -np.arange(1, 41)
    return np.asarray(np.cumsum(rng.choice(40, shape, p=share / share.sum()), axis=1), np.uint16)


MAKERS: list[Maker] = [noise, anything, plain, steep]


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("shape", [(70, 50, 3), (33, 64, 1), (7, 5, 3), (1, 1, 1), (32, 3, 1)])
def test_the_kernel_codes_as_specified(rng: np.random.Generator, make: Maker, shape: tuple[int, ...]) -> None:
    tile = make(rng, shape)
    assert coded(tile).tobytes() == twin_code.encode(tile)


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("channels", [1, 3])
def test_zlib_and_the_library_read_a_tile(rng: np.random.Generator, make: Maker, channels: int) -> None:
    """zlib is the reference of RFC 1950 and 1951; the other is what reads results here."""
    tile = make(rng, (512, 512, channels))
    data = coded(tile).tobytes()
    assert zlib.decompress(data) == twin_code.differences(tile).astype("<u2").tobytes()
    assert (deliverable.decode_tile(data, channels) == tile).all()
    assert (deliverable.decode_tile(tile_code.encode_tile(tile), channels) == tile).all()


def test_codes_are_held_to_their_longest() -> None:
    fibonacci = [1, 1]
    while len(fibonacci) < 24:
        fibonacci.append(fibonacci[-1] + fibonacci[-2])
    counts = np.zeros(257, np.int64)
    counts[: len(fibonacci)] = fibonacci
    assert twin_code.tree_depths(counts).max() == 23
    lengths = twin_code.code_lengths(counts)
    assert lengths.max() <= twin_code.LONGEST
    assert sum(2.0 ** -int(n) for n in lengths if n) == 1


def test_the_kernel_holds_codes_to_their_longest() -> None:
    """Bytes as frequent as Fibonacci's numbers, of which the largest 21 together are a part."""
    times = [1, 1]
    while sum(times) < 2 * 512 * 32:
        times.append(times[-1] + times[-2])
    low = np.repeat(np.arange(len(times)), times)[: 512 * 32].astype(np.uint16)
    tile = np.cumsum(low.reshape(32, 512, 1), axis=1).astype(np.uint16)
    counts = np.bincount([*twin_code.differences(tile).astype("<u2").tobytes(), 256])
    assert twin_code.tree_depths(counts).max() > twin_code.LONGEST
    assert coded(tile).tobytes() == twin_code.encode(tile)


def test_noise_is_as_small_as_by_the_library_within_a_hundredth(rng: np.random.Generator) -> None:
    tile = noise(rng, (512, 512, 3))
    assert len(tile_code.encode_tile(tile)) == coded(tile).size
    assert coded(tile).size < 1.01 * len(deliverable.encode_tile(tile))


def test_what_repeats_is_left_to_the_library(rng: np.random.Generator) -> None:
    tile = plain(rng, (512, 512, 3))
    assert tile_code.encode_tile(tile) == deliverable.encode_tile(tile)


def test_a_tile_is_taken_whatever_its_order_in_memory(rng: np.random.Generator) -> None:
    tile = np.asfortranarray(noise(rng, (512, 512, 3)))
    assert tile_code.encode_tile(tile) == tile_code.encode_tile(np.ascontiguousarray(tile))


def test_another_shape_is_refused() -> None:
    with pytest.raises(WorkFailed, match="512"):
        tile_code.encode_tile(np.zeros((512, 500, 3), np.uint16))


def test_the_checksum_is_that_of_the_reader(rng: np.random.Generator) -> None:
    """A reader that checks (RFC 1950) refuses a tile with a byte changed."""
    data = bytearray(coded(noise(rng, (512, 512, 3))).tobytes())
    data[-1] ^= 1
    with pytest.raises(zlib.error):
        zlib.decompress(bytes(data))
    with pytest.raises(imagecodecs.DeflateError):
        deliverable.decode_tile(bytes(data), 3)
