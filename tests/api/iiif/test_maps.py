"""The maps of a result in colours: numbers become places on a ramp, and keep their order in grey."""

from __future__ import annotations

import json

import numpy as np
import pytest

from nearfar.merge.deliver.focus_colours import RAMP
from nearfar_api.iiif.maps import DOUBT, map_colours

LUMA = np.array([0.2126, 0.7152, 0.0722])
"""Weights of ITU-R BT.709 for the lightness of a colour."""


def focus(frames: int) -> str:
    return json.dumps({"nearfar-focus/1": {"frames": [f"{k:02d}.tif" for k in range(frames)]}})


def coloured(description: str, *values: int) -> np.ndarray:
    convert = map_colours(description)
    assert convert is not None
    return convert(np.array(values, np.uint16).reshape(1, -1, 1))[0]


def test_the_first_and_the_last_frame_have_the_ends_of_the_ramp() -> None:
    found = coloured(focus(9), 256, 5 * 256, 9 * 256)
    assert np.abs(found - RAMP[[0, len(RAMP) // 2, -1]]).max() <= 1


def test_a_place_without_a_sharp_frame_is_black() -> None:
    assert coloured(focus(9), 0).tolist() == [[0, 0, 0]]


def test_frames_between_have_colours_of_their_own_also_among_many() -> None:
    found = coloured(focus(200), *range(256, 201 * 256, 256)).astype(int)
    assert (np.abs(np.diff(found, axis=0)).sum(axis=1) > 0).all()


@pytest.mark.parametrize("ramp", [RAMP, DOUBT])
def test_both_ramps_grow_lighter_all_the_way(ramp: np.ndarray) -> None:
    assert (np.diff(ramp @ LUMA) > 0).all()


def test_doubt_goes_from_dark_to_light() -> None:
    found = coloured('{"nearfar-doubt/1": {"cell": 16, "full": 65535}}', 0, 65535)
    assert found.tolist() == DOUBT[[0, -1]].tolist()


@pytest.mark.parametrize("text", ["", "moss on slate", "[1]", "{}", '{"nearfar-focus/1": 3}', '"x"'])
def test_what_is_no_map_keeps_its_tones(text: str) -> None:
    assert map_colours(text) is None
