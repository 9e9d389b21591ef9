"""Raw frames of a stack: one white balance and one curve for all, the same when a frame is decoded again later."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.errors import RecipeRefused
from nearfar.frames.colour import light_table, profile_name, srgb_to_linear
from nearfar.frames.decode import decode, read_header
from nearfar.frames.headers import FrameHeader
from nearfar.merge import recipe as recipes
from nearfar.merge.development import as_json, develop, from_json
from nearfar.merge.survey import survey_key
from tests.worker.frames.makers import write_dng

WARM = (4, 5, 1, 1, 2, 5)
DIGEST = "0" * 64


def recipe(**raw: Any) -> recipes.Recipe:
    return recipes.Recipe(raw=recipes.RawRecipe(**raw))


@pytest.fixture
def pair(tmp_path: Path) -> list[FrameHeader]:
    """The same sensor data under two white balances."""
    sensor = np.full((96, 128), 3000, np.uint16)
    sensor[:, 64:] = 9000
    even = write_dng(tmp_path / "even.dng", sensor=sensor)
    warm = write_dng(tmp_path / "warm.dng", sensor=sensor, neutral=WARM)
    return [read_header(even), read_header(warm)]


def test_all_frames_get_the_balance_of_the_first(pair: list[FrameHeader]) -> None:
    apart = [decode(h) for h in develop(pair, recipe(balance="camera"))]
    assert not np.array_equal(apart[0], apart[1])
    for order, wanted in ((pair, apart[0]), (pair[::-1], apart[1])):
        alike = develop(order, recipe())
        assert len({h.notes for h in alike}) == 1
        for header in alike:
            np.testing.assert_array_equal(decode(header), wanted)


def test_given_factors_are_used_for_all(pair: list[FrameHeader]) -> None:
    """AsShotNeutral (DNG 1.4) of .5, 1, .5 is a balance of 2, 1, 2."""
    one, other = (decode(h) for h in develop(pair, recipe(balance=[2, 1, 2])))
    np.testing.assert_array_equal(one, decode(pair[0]))
    np.testing.assert_array_equal(other, one)


def test_a_frame_whose_own_balance_it_is_keeps_its_key_and_pixels(pair: list[FrameHeader]) -> None:
    first, second = develop(pair, recipe())
    assert survey_key(first, DIGEST) == survey_key(pair[0], DIGEST)
    assert survey_key(second, DIGEST) != survey_key(pair[1], DIGEST)
    linear = develop(pair, recipe(curve="linear"))[0]
    assert survey_key(linear, DIGEST) != survey_key(first, DIGEST)
    np.testing.assert_array_equal(decode(first), decode(pair[0]))


def test_linear_samples_are_the_light_of_the_encoded_ones(pair: list[FrameHeader]) -> None:
    """The curve of IEC 61966-2-1, with the steps of 16 bits on either side."""
    encoded = decode(develop(pair, recipe())[0])
    header = develop(pair, recipe(curve="linear"))[0]
    light = decode(header) / 65535
    np.testing.assert_allclose(light, srgb_to_linear(encoded / 65535), atol=4 / 65535)
    assert profile_name(header.icc) == "sRGB primaries, linear"
    np.testing.assert_allclose(light_table(header.icc, 16), np.linspace(0, 1, 65536), atol=1e-6)


def test_what_a_report_says_of_a_frame_gives_the_same_pixels_again(pair: list[FrameHeader]) -> None:
    for asked in (recipe(), recipe(curve="linear"), recipe(balance="camera"), recipe(balance=[1.5, 1, 1.25])):
        for header in develop(pair, asked):
            again = from_json(read_header(header.path), as_json(header))
            assert again.development == header.development
            np.testing.assert_array_equal(decode(again), decode(header))
    assert from_json(pair[1], None) == pair[1]


def test_some_frames_are_developed_as_all_of_them_are(pair: list[FrameHeader]) -> None:
    both = develop(pair, recipe())
    assert develop(pair[1:], recipe(), pair) == both[1:]


def test_frames_that_are_no_raw_files_stay_as_they_are(pair: list[FrameHeader]) -> None:
    plain = replace(pair[0], kind="tiff", as_shot=None)
    assert develop([plain], recipe(curve="linear", balance=[2, 1, 2])) == [plain]
    assert as_json(plain) is None


@pytest.mark.parametrize(
    "balance", ["sunny", [1, 1], [1.0, 0, 1.0], [1, 1, "x"], 3, [True, 1, 1], [1, 1, float("nan")]]
)
def test_a_balance_that_is_none_is_refused_with_what_would_do(balance: object) -> None:
    with pytest.raises(
        RecipeRefused, match=r'raw\.balance is .*"?first.* or a list of 3 numbers from 0\.05 to 20'
    ):
        recipe(balance=balance)


def test_a_recipe_gives_factors_as_a_list() -> None:
    read = recipes.parse("[raw]\nbalance = [2, 1.0, 1.5]\ncurve = 'linear'\n", name="own")
    assert read.raw == recipes.RawRecipe(balance=(2.0, 1.0, 1.5), curve="linear")
    assert read.digest() != recipes.Recipe().digest()
