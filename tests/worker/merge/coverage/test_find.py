"""Coverage: what a stack leaves out is told before it is merged, between the right frames; complete ones are not blamed."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.frames.camera import CameraData
from nearfar.frames.colour import light_table
from nearfar.merge.coverage.find import CoverageFrame, find_coverage
from nearfar.merge.coverage.order import sweeps
from nearfar.merge.coverage.result import Coverage, Finding
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.picture_calls import CURVE_STEPS, grid_shape, measure
from nearfar.merge.noise import estimate, lowest_cells
from nearfar.merge.recipe import CoverageRecipe
from tests.scenes import Scene, render
from tests.worker.merge.brackets import AT_REST, bracket, ramp, texture

SIZE = (640, 192)
ALL = list(range(13))
Survey = tuple[NDArray[np.float32], NDArray[np.float32]]
STEPS = np.linspace(0, 1, CURVE_STEPS + 1)


def survey(picture: NDArray[Any]) -> Survey:
    """Energies and mean luma of a 16-bit picture, by the kernel."""
    rows, cols = grid_shape(picture.shape[1], picture.shape[0])
    energy, mean = np.empty((3, rows, cols), np.float32), np.empty((rows, cols), np.float32)
    small = np.empty((picture.shape[0] // 4, picture.shape[1] // 4), np.uint16)
    table = light_table(None, 16)
    curve = np.interp(STEPS, np.linspace(0, 1, table.size), table).astype(np.float32)
    pixels = Pixels(samples=np.ascontiguousarray(picture), table=table)
    measure(pixels, curve, (0, rows), energy, mean, small)
    return energy, mean


def cover(
    surveys: Sequence[Survey],
    names: Sequence[str],
    size: tuple[int, int],
    *,
    poses: Sequence[NDArray[np.float64]] | None = None,
    sigma: float = np.nan,
    cameras: Sequence[CameraData] | None = None,
    recipe: CoverageRecipe | None = None,
) -> Coverage:
    noise = estimate([lowest_cells(*s) for s in surveys], bits=16)
    frames = [
        CoverageFrame(
            name=name,
            view=FocusFrame(
                read=lambda s=s: s,  # type: ignore[misc]
                pose=AT_REST if poses is None else poses[k],
                gain_ev=0.0,
            ),
            sigma=sigma,
            camera=CameraData() if cameras is None else cameras[k],
        )
        for k, (s, name) in enumerate(zip(surveys, names, strict=True))
    ]
    return find_coverage(frames, size=size, noise=noise, recipe=recipe or CoverageRecipe())


@cache
def slope(frames: tuple[float, ...], blur: float = 0.8, plain: bool = False) -> tuple[Survey, ...]:
    """Surveys of a textured slope from 0 at the left to 12 at the right, focused at those depths; ``plain``: grey."""
    rng = np.random.default_rng(20261103)
    sharp = np.full((SIZE[1], SIZE[0], 3), 0.5) if plain else texture(rng, SIZE)
    return tuple(survey(p) for p in bracket(rng, sharp, ramp(SIZE, 0, 12), frames, blur=blur))


def of_slope(frames: Sequence[float], blur: float = 0.8, **more: Any) -> Coverage:
    return cover(slope(tuple(frames), blur), [f"F{k:g}" for k in frames], SIZE, **more)


def kinds(found: Coverage) -> list[str]:
    return [f.kind for f in found.findings]


@pytest.mark.parametrize("frames", [ALL, ALL[::-1]], ids=["near first", "far first"])
@pytest.mark.parametrize("blur", [0.5, 0.8, 1.0])
def test_a_complete_bracket_is_not_blamed(frames: list[int], blur: float) -> None:
    found = of_slope(frames, blur)
    assert found.complete
    assert found.widths == pytest.approx([1.0] * 12, abs=0.1)


@pytest.mark.parametrize("blur_px", [9, 15])
@pytest.mark.parametrize("at", [4, 7])
def test_a_shaken_frame_is_told_as_shaken_and_not_as_out_of_order(blur_px: int, at: int) -> None:
    rng = np.random.default_rng(20261103)
    frames = bracket(rng, texture(rng, SIZE), ramp(SIZE, 0, 12), ALL, blur=0.8)
    shaken = cv2.blur(frames[at].astype(np.float32), (blur_px, blur_px // 2))
    noise = rng.normal(0, 0.002 * 65535, shaken.shape)
    frames[at] = np.rint(np.clip(shaken + noise, 0, 65535)).astype(np.uint16)
    found = cover([survey(f) for f in frames], [f"F{k}" for k in ALL], SIZE)
    one = next(f for f in found.findings if f.kind == "shaken")
    assert (one.frames, one.after, one.before) == ((f"F{at}",), f"F{at - 1}", f"F{at + 1}")
    assert f"F{at} is blurred as a whole" in one.text()
    assert "order" not in kinds(found)
    assert Finding.from_json(one.as_json()) == one


@pytest.mark.parametrize(
    ("gone", "blur"), [([5], 0.8), ([5], 1.0), ([5, 6], 0.6), ([4, 5, 6], 0.6), ([8, 9, 10], 0.8)]
)
@pytest.mark.parametrize("turned", [False, True], ids=["near first", "far first"])
def test_a_missing_slice_is_told_between_the_frames_around_it(
    gone: list[int], blur: float, turned: bool
) -> None:
    frames = [k for k in ALL if k not in gone]
    found = of_slope(frames[::-1] if turned else frames, blur)
    (one,) = found.findings
    sides = (f"F{gone[0] - 1}", f"F{gone[-1] + 1}")
    assert (one.kind, one.after, one.before) == ("slice", *(sides[::-1] if turned else sides))
    assert 1 <= one.more <= len(gone)
    assert one.box is not None
    x, y, w, h = one.box
    assert abs(x + w / 2 - (gone[0] + gone[-1]) / 2 / 12 * SIZE[0]) < 32
    assert (y, h) == (0, SIZE[1])
    assert one.share == pytest.approx((len(gone) + 1) / 2 / 12, rel=0.35)  # the middle half of the step
    assert w / SIZE[0] < 1.2 * (len(gone) + 1) / 12
    assert one.detail is not None
    assert one.detail < 0.75


def test_a_slice_that_is_missing_from_small_steps_is_no_loss() -> None:
    frames = [k for k in ALL if k != 5]
    found = of_slope(frames, 0.3)
    assert found.complete
    assert found.widths[4] is not None
    assert found.widths[4] > 1.35  # seen, and found harmless


def test_how_much_may_be_lost_is_up_to_the_recipe() -> None:
    frames = [k for k in ALL if k != 5]
    assert kinds(of_slope(frames, 0.3, recipe=CoverageRecipe(detail=0.95))) == ["slice"]
    assert of_slope(frames, 0.8, recipe=CoverageRecipe(detail=0.3)).complete


def test_a_slice_that_nothing_lies_in_is_not_missed(rng: np.random.Generator) -> None:
    depth = np.where(np.arange(SIZE[0]) < 320, ramp(SIZE, 0, 6), ramp(SIZE, 4, 12)).copy()
    frames = [k for k in ALL if k not in (5, 6, 7)]
    depth = np.where(depth < 4.5, np.minimum(depth, 3.9), depth)
    depth = np.where(depth >= 4.5, np.maximum(depth, 8.1), depth)
    pictures = bracket(rng, texture(rng, SIZE), depth, frames, blur=0.8)
    found = cover([survey(p) for p in pictures], [f"F{k}" for k in frames], SIZE)
    assert "slice" not in kinds(found)


def test_a_bracket_that_starts_late_or_stops_early_is_told() -> None:
    (late,), (early,) = of_slope(ALL[3:]).findings, of_slope(ALL[:-3]).findings
    assert (late.kind, late.after, late.before) == ("start", None, "F3")
    assert (early.kind, early.after, early.before) == ("end", "F9", None)
    assert late.box is not None
    assert early.box is not None
    assert late.box[0] == 0
    assert early.box[0] + early.box[2] == SIZE[0]
    assert "unless it is meant to be soft" in late.text()


def test_a_plain_area_is_never_blamed() -> None:
    assert cover(slope(tuple(ALL), plain=True), [f"F{k}" for k in ALL], SIZE).complete
    half = [k for k in ALL if k not in (5, 6, 7)]
    assert cover(slope(tuple(half), plain=True), [f"F{k}" for k in half], SIZE).complete


def test_steps_that_are_all_too_wide_are_told_once() -> None:
    found = of_slope(ALL[::2], 1.2)
    (one,) = found.findings
    assert one.kind == "wide"
    assert found.detail is not None
    assert found.detail < 0.75
    assert "smaller steps" in one.text()


@pytest.mark.parametrize(
    "order",
    [
        [0, 1, 2, 4, 3, 5, 6, 7, 8, 9, 10, 11, 12],
        [0, 2, 3, 4, 5, 6, 7, 8, 9, 1, 10, 11, 12],
        [5, 6, 7, 8, 9, 10, 11, 12, 0, 1, 2, 3, 4],
        [5, 2, 9, 0, 11, 3, 1, 12, 4, 10, 8, 6, 7],
        [0, 1, 2, 3, 9, 8, 7, 6, 5, 4, 10, 11, 12],
    ],
    ids=["swapped", "moved", "halves", "shuffled", "turned round"],
)
def test_a_wrong_order_is_told_with_the_right_one(order: list[int]) -> None:
    found = of_slope(order)
    (one,) = found.findings
    assert one.kind == "order"
    right = [f"F{k}" for k in ALL]
    assert found.order is not None
    assert list(found.order) in (right, right[::-1])
    if len(one.frames) == 1:
        assert one.frames[0] in ("F1", "F3", "F4")


def test_a_repeated_frame_is_no_wrong_order_and_no_gap() -> None:
    again = [0, 1, 2, 3, 3, 4, 5, 6, 7, 7, 8, 9, 10, 11, 12]
    assert of_slope([k + 1e-9 * i for i, k in enumerate(again)]).complete


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_frames_tell_nothing(count: int) -> None:
    found = of_slope(ALL[:count])
    assert found == Coverage(frames=count)


def test_missing_frames_are_given_their_focus_distance() -> None:
    """At a step apart in 1 / distance, as even steps behind the lens are: 5 between 4 and 6."""
    frames = [k for k in ALL if k != 5]
    metres = {k: 1 / (2.5 - 0.2 * k) for k in ALL}
    cameras = [CameraData(subject_distance=metres[k]) for k in frames]
    (one,) = of_slope(frames, cameras=cameras).findings
    assert one.focus_m == pytest.approx([metres[5]])
    assert f"take one more frame between them, focused at about {metres[5]:.2f} m" in one.text()


def test_missing_frames_are_given_their_place_on_the_stage() -> None:
    frames = [k for k in ALL if k != 5]
    (one,) = of_slope(frames, recipe=CoverageRecipe(stage_step_um=5.0)).findings
    assert one.travel_um == pytest.approx([22.5])
    assert "at about 22.5 µm from the first frame" in one.text()


def test_what_lies_beyond_the_end_is_given_a_distance_too() -> None:
    cameras = [CameraData(subject_distance=1 / (2.5 - 0.2 * k)) for k in ALL[:-3]]
    (one,) = of_slope(ALL[:-3], cameras=cameras).findings
    assert one.focus_m == pytest.approx([1 / (2.5 - 0.2 * 10)])


def test_coverage_comes_back_from_json() -> None:
    cameras = [CameraData(subject_distance=1.0 + k) for k in ALL[:-3]]
    for found in (of_slope(ALL[:-3], cameras=cameras), of_slope([k for k in ALL if k != 5]), of_slope(ALL)):
        text = json.dumps(found.as_json(), allow_nan=False)
        assert Coverage.from_json(json.loads(text)).as_json() == found.as_json()


@pytest.mark.parametrize(("kind", "held"), [("slice", True), ("order", True), ("wide", True), ("end", False)])
def test_a_stack_is_held_for_what_is_surely_missing(kind: Any, held: bool) -> None:
    found = Coverage(frames=9, findings=(Finding(kind=kind, after="A", before="B", frames=("A",)),))
    assert bool(found.to_hold()) is held


# Rendered scenes: layers, hairs, edges

RENDERED = ["dome", "occlusion", "foliage", "hairs"]


@pytest.fixture(scope="module")
def rendered() -> Callable[[str], tuple[Scene, list[Survey]]]:
    """Scenes of 13 frames whose blur grows by 1.4 px a step, with their surveys."""

    @cache
    def make(kind: str) -> tuple[Scene, list[Survey]]:
        scene = render(kind, frames=13, size=(440, 330), seed=100, reach=1.4 * 12)
        return scene, [survey(f) for f in scene.frames]

    return make


def of_scene(made: tuple[Scene, list[Survey]], frames: Sequence[int]) -> Coverage:
    scene, surveys = made
    size = (scene.frames.shape[2], scene.frames.shape[1])
    return cover(
        *([surveys[k] for k in frames], [f"F{k}" for k in frames], size),
        poses=[scene.poses[k] for k in frames],
        sigma=0.05,
    )


@pytest.mark.parametrize("kind", RENDERED)
def test_complete_scenes_in_layers_are_not_blamed(kind: str, rendered: Callable[[str], Any]) -> None:
    for frames in (ALL, ALL[::-1]):
        assert of_scene(rendered(kind), frames).findings == ()


@pytest.mark.parametrize("kind", ["dome", "occlusion", "foliage"])
def test_slices_missing_from_scenes_in_layers_are_told(kind: str, rendered: Callable[[str], Any]) -> None:
    """Two or three frames are taken out at four places: three of four cases at least are told, none elsewhere."""
    told = asked = 0
    for gone in ([2, 3], [4, 5], [6, 7], [8, 9], [3, 4, 5], [5, 6, 7], [7, 8, 9]):
        found = of_scene(rendered(kind), [k for k in ALL if k not in gone])
        asked += 1
        for one in found.findings:
            assert (one.kind, one.after, one.before) == ("slice", f"F{gone[0] - 1}", f"F{gone[-1] + 1}")
            told += 1
    assert told >= 0.75 * asked


def test_turns_in_frames_that_show_nothing_sharp_are_not_told() -> None:
    """Beyond the end of a slope all is blurred: poses are uncertain there, whatever they say of themselves."""
    frames = list(range(18))
    for turn, told in ((8, ["scale"]), (15, [])):
        sizes = [1 + 0.002 * (k - (2.5 if k == turn else 0)) for k in frames]
        poses = [np.array([[s, 0, 0], [0, s, 0]]) for s in sizes]
        assert kinds(of_slope(frames, poses=poses, sigma=0.02)) == told


def test_all_turns_of_the_magnification_are_told_in_one_line() -> None:
    sizes = [1 + 0.002 * k for k in (0, 1, 2, 1.3, 3.3, 4.3, 3.6, 5, 6, 7, 8, 9, 10)]
    poses = [np.array([[s, 0, 0], [0, s, 0]]) for s in sizes]
    found = of_slope(ALL, poses=poses, sigma=0.02)
    (turns,) = found.findings
    assert (turns.kind, turns.after, turns.before) == ("scale", "F2", "F3")
    assert turns.frames == ("F2", "F3", "F5", "F6")
    assert "turns back between F2 and F3 and between F5 and F6: " in turns.text()
    assert Finding.from_json(json.loads(json.dumps(turns.as_json()))) == turns


def test_the_first_frame_of_a_second_sweep_is_not_shaken() -> None:
    again = [-2, *ALL]
    names = [*(f"A{k}" for k in ALL), *(f"B{k}" for k in again)]
    found = cover([*slope(tuple(ALL), 0.3), *slope(tuple(again), 0.3)], names, SIZE)
    assert kinds(found) == ["sweeps"]


@pytest.mark.parametrize("second", [ALL, ALL[::-1]], ids=["again", "back"])
def test_two_sweeps_are_told_as_two_sweeps(second: list[int]) -> None:
    names = [*(f"A{k}" for k in ALL), *(f"B{k}" for k in second)]
    found = cover([*slope(tuple(ALL), 0.3), *slope(tuple(second), 0.3)], names, SIZE)
    (told,) = found.findings
    assert told.kind == "sweeps"
    assert told.text().startswith("the frames go through the focus 2 times, A0 to A12 and B")
    assert not found.to_hold()
    assert Finding.from_json(json.loads(json.dumps(told.as_json()))) == told


def test_frames_that_are_mixed_up_are_no_sweeps() -> None:
    assert sweeps([0, 6, 1, 7, 2, 8, 3, 9, 4, 10, 5, 11]) == [(0, 5), (6, 11)]
    assert sweeps([0, 11, 1, 10, 2, 9, 3, 8, 4, 7, 5, 6]) == [(0, 6), (7, 11)]
    for order in ([0, 2, 1, 3, 4, 5], [3, 4, 5, 0, 1, 2], [0, 1, 5, 4, 3, 2]):
        assert sweeps(order) == []


def same_focus(shifts: Sequence[int]) -> list[Survey]:
    """Surveys of a picture that is sharp in all frames, half of it soft by nature, each moved by so many pixels."""
    rng = np.random.default_rng(20261126)
    sharp = texture(rng, (SIZE[0] + 64, SIZE[1]))
    sharp[:, : SIZE[0] // 2] = cv2.GaussianBlur(sharp, (0, 0), 6)[:, : SIZE[0] // 2]
    seen = [sharp[:, s : s + SIZE[0]] for s in shifts]
    noisy = [np.clip(p + rng.normal(0, 0.004, p.shape), 0, 1) for p in seen]
    return [survey(np.rint(65535 * p).astype(np.uint16)) for p in noisy]


@pytest.mark.parametrize("shifts", [[0] * 6, [0, 3, 1, 7, 4, 9, 2]], ids=["copies", "by hand"])
def test_frames_that_all_have_the_same_sharp_are_told_so_and_have_no_order(shifts: list[int]) -> None:
    moved = [np.array([[1, 0, -s], [0, 1, 0]], np.float64) for s in shifts]
    found = cover(same_focus(shifts), [f"F{k}" for k in range(len(shifts))], SIZE, poses=moved)
    assert kinds(found) == ["alike"]
    assert found.alike
    assert "hardly differ in what they have sharp" in found.findings[0].text()
    assert Coverage.from_json(found.as_json()).alike


def test_a_bracket_is_not_told_as_frames_of_one_focus() -> None:
    assert not of_slope(ALL).alike
    assert not of_slope(ALL[4:8]).alike


def test_a_view_whose_foreground_alone_needs_its_own_focus_is_a_bracket() -> None:
    rng = np.random.default_rng(20261127)
    frames = bracket(rng, texture(rng, SIZE), ramp(SIZE, 0, 12), ALL, blur=0.8)
    far = round(0.7 * SIZE[1])
    view = np.rint(65535 * texture(rng, SIZE)[:far]).astype(np.uint16)
    for frame in frames:
        noise = rng.normal(0, 0.002 * 65535, view.shape)
        frame[:far] = np.rint(np.clip(view + noise, 0, 65535)).astype(np.uint16)
    assert not cover([survey(f) for f in frames], [f"F{k}" for k in ALL], SIZE).alike
