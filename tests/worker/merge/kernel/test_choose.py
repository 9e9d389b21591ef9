"""Tiles of the picture as the learned chooser makes it: the kernel against its specification."""

from __future__ import annotations

import numpy as np
import pytest

from nearfar.merge.chooser import weights
from nearfar.merge.kernel import twin_choose, twin_render
from tests.worker.merge.kernel.stacks import assert_same, by_tiles, random_stack
from tests.worker.merge.kernel.test_render import CASES


@pytest.mark.parametrize("name", CASES)
def test_tiles_are_what_is_specified_bit_for_bit(rng: np.random.Generator, name: str) -> None:
    stack, found = random_stack(rng, **CASES[name]), weights.load()
    expected = twin_choose.render(stack, found)
    assert_same(by_tiles(stack, 64, net=found.numbers), expected)
    assert_same(by_tiles(stack, 256, before=0xFF, net=found.numbers), expected)


def test_tiles_of_any_size_and_threads_have_the_same_bits(rng: np.random.Generator) -> None:
    """Whatever reached further than the halo of a tile would show as a difference to the picture in one window."""
    stack, net = random_stack(rng, size=(300, 280), n=7, admitted=0.4), weights.load().numbers
    expected = by_tiles(stack, 256, net=net)
    assert_same(by_tiles(stack, 64, threads=2, net=net), expected)
    assert_same(by_tiles(stack, 128, before=0, net=net), expected)


def test_hard_cells_are_made_by_the_larger_net_and_others_by_the_usual_one(rng: np.random.Generator) -> None:
    """Frames that differ ever more from left to right: nets take part from some column on, the larger one in fewer."""
    more = np.geomspace(0.002, 0.05, 256)[None, :, None]
    pictures = [
        (65535 * np.clip(0.45 + rng.normal(0, 1, (64, 256, 1)) * more, 0, 1)).astype(np.uint16).repeat(3, 2)
        for _ in range(4)
    ]
    stack, found = random_stack(rng, size=(256, 64), n=4, pictures=pictures), weights.load()
    expected = twin_choose.render(stack, found)
    assert_same(by_tiles(stack, 64, net=found.numbers), expected)
    other = found.numbers.copy()
    other[-100:] = 0
    hard = twin_choose.render(stack, weights.Weights(numbers=other, digest="")).picture != expected.picture
    chosen = twin_render.render(stack).picture != expected.picture
    assert 32 < hard.any(axis=(0, 2)).sum() < chosen.any(axis=(0, 2)).sum() - 16


def test_the_net_takes_part_where_frames_differ_and_nowhere_else(rng: np.random.Generator) -> None:
    found = weights.load()
    apart = random_stack(rng, size=(128, 128), n=5)
    ruled, learned = twin_render.render(apart), twin_choose.render(apart, found)
    assert (ruled.picture != learned.picture).mean() > 0.3
    alike = random_stack(rng, size=(128, 128), n=5, pictures=[np.full((128, 128, 3), 30000, np.uint16)] * 5)
    assert_same(twin_choose.render(alike, found), twin_render.render(alike))
