"""Looking for spots while the frames are registered: what is found then is what is found afterwards, and is used."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from nearfar.frames.decode import read_header
from nearfar.merge.noise import estimate
from nearfar.merge.recipe import Recipe, SensorRecipe
from nearfar.merge.scratch import open_scratch
from nearfar.merge.sensing import looking_ahead
from nearfar.merge.sensor import look_at
from nearfar.merge.survey import MappedFrame, Surveyor, identify
from nearfar.merge.surveyed_stack import SurveyedStack
from tests.acceptance.command import lay

STEP = "spots-5-0.008"


@pytest.fixture
def stack(tmp_path: Path) -> Iterator[SurveyedStack]:
    """Five frames of grey noise with a bright pixel each, surveyed."""
    random = np.random.default_rng(3)
    frames = np.rint(random.normal(30000, 30, (5, 128, 192, 3))).astype(np.uint16)
    frames[:, 40, 50] = 60000
    headers = [read_header(p) for p in lay(frames, tmp_path / "frames")]
    with open_scratch(tmp_path / "scratch", tmp_path / "out.tif") as scratch:
        surveyor = Surveyor(scratch, lambda: None, {h.path: identify(h) for h in headers})
        yield SurveyedStack(
            scratch=scratch,
            frames=[surveyor.survey(h) for h in headers],
            noise=estimate([], bits=16, sigma=0.0005),
            recipe=Recipe(),
            threads=2,
        )


def test_what_is_found_ahead_is_what_is_found_otherwise(stack: SurveyedStack) -> None:
    with looking_ahead(stack, lambda: None) as ahead:
        pass
    mapped = [MappedFrame(f) for f in stack.frames]
    told = [ahead.take(STEP, piece, ()) for piece in range(5)]
    assert all(found is not None for found in told)
    found = look_at(5, lambda k: mapped[k].pixels, stack.noise, lambda: None, 1, ahead)[1]
    alone = look_at(5, lambda k: mapped[k].pixels, stack.noise, lambda: None, 2, None)[1]
    assert [places.tolist() for places in found] == [places.tolist() for places in alone]
    assert all(40 * 192 + 50 + 1 in places for places in found)


def test_nothing_is_looked_at_where_the_recipe_leaves_spots_alone(stack: SurveyedStack) -> None:
    asked = SurveyedStack(
        scratch=stack.scratch,
        frames=stack.frames,
        noise=stack.noise,
        recipe=Recipe(sensor=SensorRecipe(spots=False)),
        threads=2,
    )
    with looking_ahead(asked, lambda: None) as ahead:
        pass
    assert ahead.take(STEP, 0, ()) is None


def test_what_cannot_be_looked_at_is_left_for_later(stack: SurveyedStack) -> None:
    def stop() -> None:
        raise InterruptedError

    with looking_ahead(stack, stop) as ahead:
        pass
    assert ahead.take(STEP, 0, ()) is not None  # asked after each frame
    assert ahead.take(STEP, 1, ()) is None


def test_an_error_in_the_block_is_raised(stack: SurveyedStack) -> None:
    with pytest.raises(ZeroDivisionError), looking_ahead(stack, lambda: None):
        raise ZeroDivisionError
