"""Isolated pixels, and spots in tiles: the kernel against its specification."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.kernel import sensor_calls, twin_render
from nearfar.merge.kernel.sensor_calls import isolated
from nearfar.merge.kernel.twin_render import Stack
from nearfar.merge.kernel.twin_sensor import isolated as specified
from tests.worker.merge.kernel.stacks import (
    LAYOUTS,
    assert_same,
    by_tiles,
    frames_of,
    pixels_of,
    random_stack,
)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("size", [(150, 70), (64, 64), (5, 3), (1, 1)])
def test_isolated_pixels_are_those_specified(
    rng: np.random.Generator, layout: str, dtype: Any, size: tuple[int, int]
) -> None:
    frame = frames_of(rng, size, 1, dtype, noise=0.03)[0]
    places, heights = isolated(pixels_of(frame, layout), 0.01, threads=3)
    expected = specified(frame, 0.01)
    np.testing.assert_array_equal(places, expected[0])
    np.testing.assert_array_equal(heights, expected[1])
    assert len(places) > 0 or min(size) < 6
    for threads in (2, 3):
        again = isolated(pixels_of(frame, layout), 0.01, threads)
        np.testing.assert_array_equal(again[0], places)
        np.testing.assert_array_equal(again[1], heights)


def test_where_there_are_too_many_only_the_higher_ones_are_told(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = frames_of(rng, (150, 70), 1, np.uint16, noise=0.1)[0]
    every = specified(frame, 0.01)[1]
    monkeypatch.setattr(sensor_calls, "ROOM", len(every) // 2)
    heights = isolated(pixels_of(frame, "blocks"), 0.01)[1]
    assert 0 < len(heights) <= len(every) // 2
    assert np.abs(heights).min() > np.sort(np.abs(every))[0]


def spotted(rng: np.random.Generator, stack: Stack) -> Stack:
    """The same stack with spots at random, also beyond its edges, and with pixels to fill."""
    width, height = stack.size
    count, top = 12, int(np.iinfo(stack.samples[0].dtype).max)
    y = np.sort(rng.uniform(-4, height + 4, count))
    spots = np.stack([rng.uniform(-4, width + 4, count), y, rng.uniform(1, 20, count)], axis=1)
    fills: list[tuple[NDArray[np.int32], NDArray[np.uint16]]] = []
    for _ in stack.samples:
        rows, lengths = np.sort(rng.integers(0, height, 9)), rng.integers(1, 8, 9)
        cols = np.array([0, *(int(rng.integers(0, width - n)) for n in lengths[1:])])
        first = np.concatenate([[0], np.cumsum(lengths)[:-1]])
        runs = np.stack([rows, cols, lengths, first], axis=1).astype(np.int32)
        fills.append((runs, rng.integers(0, top, (lengths.sum(), 3)).astype(np.uint16)))
    return replace(stack, spots=spots.astype(np.float32), fills=fills)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize(
    "case", [{}, {"tables": True}, {"most_roll": 0.15, "most_scale": 0.2}, {"order": -1}]
)
def test_spots_and_fills_are_what_is_specified_whatever_the_tile(
    rng: np.random.Generator, dtype: Any, case: dict[str, Any]
) -> None:
    stack = spotted(rng, random_stack(rng, size=(150, 90), dtype=dtype, **case))
    expected = twin_render.render(stack)
    without = twin_render.render(replace(stack, spots=None, fills=None))
    assert (expected.picture != without.picture).any()
    assert_same(by_tiles(stack, 64), expected)
    assert_same(by_tiles(stack, 128, layout="planes", threads=2), expected)
