"""Gaps: parts that no frame has sharp are found, and told between the right frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.focus.gaps import Gap, find_gaps, nothing_sharp
from tests.scenes.scene import render
from tests.worker.merge.brackets import bracket, focused, ramp, texture

SIZE = (640, 192)
ALL = range(11)


def gaps_of(
    rng: np.random.Generator,
    frames: Sequence[int],
    *,
    depth: NDArray[np.float64] | None = None,
    contrast: float = 0.12,
    blur: float = 1.2,
) -> list[Gap]:
    """Gaps of a slope from 0 at the left to 10 at the right, of which frames F0 .. F10 were taken as listed."""
    sharp = texture(rng, SIZE, contrast=contrast)
    pictures = bracket(rng, sharp, ramp(SIZE, 0, 10) if depth is None else depth, frames, blur=blur)
    made = focused(pictures)
    return find_gaps(made.found, made.noise, [f"F{k}" for k in frames], SIZE)


@pytest.mark.parametrize("frames", [ALL, ALL[::2], ALL[::-1]], ids=["all", "every other", "far first"])
def test_a_complete_bracket_has_no_gap(rng: np.random.Generator, frames: Sequence[int]) -> None:
    assert gaps_of(rng, frames) == []


@pytest.mark.parametrize(
    ("frames", "after", "before", "middle"),
    [
        ([0, 1, 2, 3, 7, 8, 9, 10], "F3", "F7", 5.0),
        ([0, 4, 5, 6, 7, 8, 9, 10], "F0", "F4", 2.0),
        ([0, 1, 2, 3, 4, 5, 6, 10], "F6", "F10", 8.0),
        ([10, 9, 8, 7, 3, 2, 1, 0], "F7", "F3", 5.0),
    ],
)
def test_missing_slices_are_a_gap_between_the_frames_around_them(
    rng: np.random.Generator, frames: list[int], after: str, before: str, middle: float
) -> None:
    (gap,) = gaps_of(rng, frames)
    assert (gap.after, gap.before) == (after, before)
    x, y, w, h = gap.box
    assert abs(x + w / 2 - middle / 10 * SIZE[0]) < 32
    assert (y, h) == (0, SIZE[1])
    assert gap.share == pytest.approx(w / SIZE[0], rel=0.25)
    assert after in gap.text()
    assert before in gap.text()


def test_a_slice_that_is_missing_from_small_steps_counts_where_its_blur_shows(
    rng: np.random.Generator,
) -> None:
    without = [k for k in ALL if k != 5]
    assert gaps_of(rng, without, blur=1.0) == []
    (gap,) = gaps_of(rng, without, blur=3.5)
    assert (gap.after, gap.before) == ("F4", "F6")


def test_an_object_between_two_frames_is_told_between_them(rng: np.random.Generator) -> None:
    """It stands 1.4 before F7 and 2.6 behind F3, while F8 on the other side of F7 is nearer to it than F3."""
    depth = np.where(np.arange(SIZE[0]) < 320, ramp(SIZE, 0, 6), ramp(SIZE, 4, 10)).copy()
    depth[48:144, 256:384] = 5.6
    steep = np.abs(np.arange(SIZE[0]) - 320) < 64
    depth[:48, steep] = depth[144:, steep] = 3.0
    found = gaps_of(rng, [0, 1, 2, 3, 7, 8, 9, 10], depth=depth)
    objects = [g for g in found if g.box[0] < 320 < g.box[0] + g.box[2]]
    assert objects
    assert all((g.after, g.before) == ("F3", "F7") for g in objects)


def test_what_lies_before_the_first_or_behind_the_last_frame_is_told_so(rng: np.random.Generator) -> None:
    (near,) = gaps_of(rng, ALL[4:])
    assert (near.after, near.before) == (None, "F4")
    assert near.box[0] == 0
    assert "near side of F4" in near.text()
    (far,) = gaps_of(rng, ALL[:7])
    assert (far.after, far.before) == ("F6", None)
    assert far.box[0] + far.box[2] == SIZE[0]
    assert "beyond F6" in far.text()


def test_a_rendered_scene_is_told_where_its_ends_are_missing() -> None:
    """Things at depths from 0.5 to 8.6, strongly blurred where they are out of focus."""
    scene = render("occlusion", frames=10, size=(480, 352), reach=20.0, use_cache=False)

    def told(kept: Sequence[int]) -> list[Gap]:
        made = focused([scene.frames[k] for k in kept], poses=[scene.poses[k] for k in kept])
        return find_gaps(made.found, made.noise, [f"F{k}" for k in kept], (480, 352))

    assert told(range(10)) == []
    near, far = told(range(5, 10)), told(range(5))
    assert near
    assert all((g.after, g.before) == (None, "F5") for g in near)
    assert all((g.after, g.before) == ("F4", None) for g in far)
    assert sum(g.share for g in far) > 0.3


def test_gaps_are_told_largest_first(rng: np.random.Generator) -> None:
    found = gaps_of(rng, [3, 4, 8, 9, 10])
    assert [(g.after, g.before) for g in found] == [(None, "F3"), ("F4", "F8")]
    assert found[0].share > found[1].share


def test_plain_areas_are_no_gaps(rng: np.random.Generator) -> None:
    assert gaps_of(rng, ALL[:4], depth=ramp(SIZE, 1, 2), contrast=0.0) == []


def test_one_frame_has_no_gaps(rng: np.random.Generator) -> None:
    assert gaps_of(rng, [2]) == []


def test_a_gap_as_the_report_has_it() -> None:
    gap = Gap(box=(16, 32, 160, 64), share=0.12345, after="A.jpg", before="B.jpg")
    told = gap.as_json()
    assert told["box"] == [16, 32, 160, 64]
    assert told["share"] == 0.1235
    assert (told["after"], told["before"]) == ("A.jpg", "B.jpg")
    assert "12.3 %" in told["text"]
    assert "missing between A.jpg and B.jpg" in told["text"]


@pytest.mark.parametrize(
    ("frames", "noise", "soft"),
    [(range(0, 11, 2), 0.004, False), (range(0, 11, 2), 0.02, False), (range(20, 24), 0.004, True)],
    ids=["sharp", "sharp, noisy", "soft"],
)
def test_a_stack_in_which_nothing_is_sharp_is_known(
    rng: np.random.Generator, frames: range, noise: float, soft: bool
) -> None:
    sharp = texture(rng, SIZE, contrast=0.3)
    made = focused(bracket(rng, sharp, ramp(SIZE, 0, 10), frames, blur=0.9, noise=noise))
    assert nothing_sharp(made.found, made.noise) == soft
