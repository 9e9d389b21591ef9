"""Small pictures of a card: they show frames as a merge turns them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simplejpeg

from nearfar.intake.card.kept_card import CardFiles
from nearfar.intake.card.pictures import keep_small
from nearfar.intake.card.sorting import sort_card
from tests.scenes import card_events as events
from tests.scenes.card import Body, Truth, write_events
from tests.scenes.card_views import make_place

SIZE = (300, 200)
CARD = "0123456789abcdef"


@pytest.mark.parametrize(("tags", "upright"), [((1, 6, 1, 8, 1), False), ((6, 6, 1, 6, 6), True)])
def test_the_frames_of_a_stack_are_turned_alike(tmp_path: Path, tags: tuple[int, ...], upright: bool) -> None:
    """As `nearfar.merge.turning` has it: a strip in which each frame lies another way shows what no picture will."""
    random = np.random.default_rng(7)
    frames = events.stack(random, make_place(random, "macro", SIZE), "flash", frames=len(tags))
    truth = Truth()
    write_events(tmp_path / "card", Body(size=SIZE), [with_tags(frames, tags)], truth)
    card = sort_card([tmp_path / "card"], cache=tmp_path)
    files = CardFiles(tmp_path)
    small = keep_small(card, files, CARD)
    shapes = set()
    for path in truth.stacks[0]:
        data = files.small_file(CARD, small[str(path)]).read_bytes()
        height, width = simplejpeg.decode_jpeg_header(data)[:2]
        shapes.add(height > width)
    assert shapes == {upright}
    assert keep_small(card, files, CARD) == small


def with_tags(event: events.Event, tags: tuple[int, ...]) -> events.Event:
    """The same frames under these orientation tags (Exif 3.0, 0x0112)."""
    return replace(
        event, frames=tuple(replace(f, orientation=t) for f, t in zip(event.frames, tags, strict=True))
    )
