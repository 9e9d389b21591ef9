"""Things that move between frames: found, taken from one frame, and told; what holds still stays as it was.

A ghost is what no frame shows: each place of the result is compared with the frame that is most like it there.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from nearfar.frames.decode import read_header
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.focus.find import FocusWriter
from nearfar.merge.focus.movement import _certain, _Crept, _light_differs, _two
from nearfar.merge.focus.patterns import (
    BLURRED,
    CONTRAST,
    FAINT,
    KEPT,
    _bright,
    _differ,
    _Look,
    _spreading,
    _tell,
)
from nearfar.merge.recipe import FocusRecipe, Recipe
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.progress import Progress
from tests.acceptance.command import lay
from tests.scenes import render
from tests.worker.merge.brackets import bracket, ramp, texture
from tests.worker.merge.common import STILL, common

SIZE = (448, 336)
BUG = 44
STOPS = [(150, 150), (172, 152), (196, 150), (217, 155), (240, 151), (262, 148)]


def still(frames: int = 6) -> list[NDArray[Any]]:
    """A textured slope, in focus from left to right."""
    rng = np.random.default_rng(4)
    return bracket(rng, texture(rng, SIZE), ramp(SIZE, 0, frames - 1), range(frames), blur=1.0)


def with_bug() -> list[NDArray[Any]]:
    """The same with a patterned thing that walks over it, always sharp."""
    rng = np.random.default_rng(9)
    shell = np.round(np.clip(texture(rng, (BUG, BUG), contrast=0.25), 0.02, 0.98) * 65535).astype(np.uint16)
    out = []
    for frame, (x, y) in zip(still(), STOPS, strict=True):
        seen = frame.copy()
        seen[y : y + BUG, x : x + BUG] = shell
        out.append(seen)
    return out


def with_creeper() -> list[NDArray[Any]]:
    """The same in more frames, with a smooth thing that moves by a tenth of its width from one to the next."""
    rng = np.random.default_rng(2)
    back = cv2.GaussianBlur(texture(rng, (BUG, BUG), contrast=0.9).astype(np.float32), (0, 0), 4.0)
    back = np.clip(0.4 + 4 * (back - back.mean()), 0.02, 0.98)
    back[:, : BUG // 3] *= 0.4
    shell = np.round(back * 65535).astype(np.uint16)
    out = []
    for k, frame in enumerate(still(10)):
        seen = frame.copy()
        seen[150 : 150 + BUG, 190 + 4 * k : 190 + 4 * k + BUG] = shell
        out.append(seen)
    return out


def merged(
    frames: list[NDArray[Any]], folder: Path, *, movement: bool
) -> tuple[NDArray[Any], dict[str, Any]]:
    outputs = Outputs.beside(folder / f"{movement}.tif")
    job = Request(
        headers=[read_header(p) for p in lay(np.stack(frames), folder / "frames")],
        outputs=outputs,
        recipe=Recipe(focus=FocusRecipe(movement=movement)),
        memory=8 << 30,
        threads=2,
        scratch=folder / "scratch",
    )
    report = Merge(job, Progress(quiet=True), Stop()).run()
    return tifffile.imread(outputs.picture, key=0), report.content


def ghost(picture: NDArray[Any], frames: list[NDArray[Any]], report: dict[str, Any]) -> float:
    """Root mean square, over the walk, of the difference to the frame that is most like it around each place."""
    apart = []
    for frame, told in zip(frames, report["frames"], strict=True):
        to = np.array(told["pose"])
        seen = cv2.warpAffine(
            frame.astype(np.float32), to, SIZE, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        )
        square = ((seen - picture) / 65535).astype(np.float64) ** 2
        apart.append(cv2.blur(square.mean(axis=2), (24, 24)))
    return float(np.sqrt(np.min(apart, axis=0)[140:210, 140:320].mean()))


def test_what_walks_through_comes_from_one_frame_each(tmp_path: Path) -> None:
    frames = with_bug()
    before, plain = merged(frames, tmp_path, movement=False)
    after, told = merged(frames, tmp_path, movement=True)
    assert plain["moved"] == []
    assert told["moved"], "nothing was seen to move"
    for region in told["moved"]:
        x, y, w, h = region["box"]
        assert region["frame"] in {f["name"] for f in told["frames"]}
        assert x < 320, "nothing moves there"
        assert x + w > 140
        assert y < 220
        assert y + h > 130
    assert ghost(after, frames, told) < 0.6 * ghost(before, frames, plain)
    far = np.s_[:, :80]
    np.testing.assert_array_equal(after[far], before[far])


def test_who_walks_before_a_plain_wall_and_is_in_each_place_once_is_left_out(tmp_path: Path) -> None:
    """No other frame has a pattern there, so that only the light tells; the truth is the same bracket without anybody."""
    rng = np.random.default_rng(6)
    wall = np.full((SIZE[1], SIZE[0], 3), 0.6)
    wall[200:] = texture(rng, SIZE)[200:]
    empty = bracket(rng, wall, ramp(SIZE, 0, 5), range(6), blur=1.0)
    frames = [frame.copy() for frame in empty]
    for k, frame in enumerate(frames):
        frame[60:150, 20 + 68 * k : 60 + 68 * k] = 14000
    before, _ = merged(frames, tmp_path / "walked", movement=False)
    after, told = merged(frames, tmp_path / "walked", movement=True)
    alone, _ = merged(empty, tmp_path / "empty", movement=True)

    def apart(picture: NDArray[Any]) -> float:
        error = (picture[40:170, 16:-16].astype(np.float64) - alone[40:170, 16:-16]) / 65535
        return float(np.abs(error).mean())

    assert apart(before) > 0.05, "nobody is left over without it"
    assert apart(after) < 0.002
    gone = {region["frame"] for region in told["moved"] if region.get("left_out")}
    assert gone == {f["name"] for f in told["frames"]}


def test_around_what_moved_the_frame_that_is_sharp_there_is_taken() -> None:
    """A leaf in focus in one frame before a view in focus in another: the leaf whole from one, the view from the other."""
    shape, cells = (20, 24), np.zeros((20, 24), np.bool_)
    cells[8:12, 8:12] = True
    region = np.zeros(shape, np.bool_)
    region[7:13, 7:13] = True
    prior = np.full((shape[0], 3, shape[1]), 10, np.uint16)
    prior[:, 0] = 1000
    prior[8:12, 0, 8:12] = 50
    prior[8:12, 2, 8:12] = 900
    writer = FocusWriter(prior, np.ones(prior.shape, np.uint8))
    inside = np.ones((3, *shape), np.bool_)
    light = np.full(shape, 0.5, np.float32)
    each = _two(region, cells, writer, inside, lambda k: light)
    assert (each[cells] == 2).all()
    assert (each[region & ~cells] == 0).all()
    darker = _two(region, cells, writer, inside, lambda k: light * np.float32(1 + 0.2 * k))
    assert (darker[region] == 2).all(), "where another light tells that the leaf is there, it is not cut"


def test_what_creeps_by_less_than_its_own_pattern_comes_from_one_frame_too(tmp_path: Path) -> None:
    frames = with_creeper()
    before, plain = merged(frames, tmp_path, movement=False)
    after, told = merged(frames, tmp_path, movement=True)
    ((x, y, w, h),) = [region["box"] for region in told["moved"]]
    assert x <= 200
    assert x + w >= 260
    assert y <= 160
    assert y + h >= 184
    assert ghost(after, frames, told) < 0.7 * ghost(before, frames, plain)


def test_what_moves_over_several_depths_comes_from_one_frame_each_in_zones(tmp_path: Path) -> None:
    """Water, say: a third of the picture, another in each frame, sharp from left to right."""
    frames = [frame.copy() for frame in still()]
    rng = np.random.default_rng(3)
    for k, frame in enumerate(frames):
        water = bracket(rng, texture(rng, SIZE), ramp(SIZE, 0, len(frames) - 1), [k], blur=1.0)[0]
        frame[200:] = water[200:]
    _, told = merged(frames, tmp_path, movement=True)
    boxes = [region["box"] for region in told["moved"]]
    assert len({region["frame"] for region in told["moved"]}) >= 3
    covered = np.zeros(SIZE[::-1], np.bool_)
    for x, y, w, h in boxes:
        covered[y : y + h, x : x + w] = True
    assert covered[216:, 32:-32].mean() > 0.95


def test_where_all_holds_still_nothing_changes(tmp_path: Path) -> None:
    frames = still()
    with_it, told = merged(frames, tmp_path, movement=True)
    without, _ = merged(frames, tmp_path, movement=False)
    assert told["moved"] == []
    np.testing.assert_array_equal(with_it, without)


@pytest.mark.parametrize("kind", STILL)
def test_rendered_scenes_that_hold_still_have_no_movement(tmp_path: Path, kind: str) -> None:
    scene = common(kind)
    _, told = merged(list(scene.frames), tmp_path, movement=True)
    assert told["moved"] == []


def test_a_weave_that_is_finer_than_what_is_compared_does_not_pass_for_movement(tmp_path: Path) -> None:
    scene = render("hairs", size=(600, 450), seed=3)
    _, told = merged(list(scene.frames), tmp_path, movement=True)
    assert told["moved"] == []


@pytest.mark.parametrize(("kind", "seed"), [("hairs", 52), ("occlusion", 52)])
def test_what_wide_steps_blur_does_not_pass_for_movement(tmp_path: Path, kind: str, seed: int) -> None:
    scene = render(kind, frames=5, size=(600, 450), seed=seed, reach=20)
    _, told = merged(list(scene.frames), tmp_path, movement=True)
    assert told["moved"] == []


@pytest.mark.parametrize(("kind", "seed"), [("doorways", 5), ("occlusion", 3)])
def test_the_rim_that_a_hand_held_camera_moves_over_does_not_pass_for_movement(
    tmp_path: Path, kind: str, seed: int
) -> None:
    scene = render(kind, frames=5, size=(424, 312), seed=seed, jitter=13.0, roll=0.003)
    _, told = merged(list(scene.frames), tmp_path, movement=True)
    assert told["moved"] == []


def test_corners_that_a_frame_does_not_reach_do_not_pass_for_movement(tmp_path: Path) -> None:
    scene = render("dome", frames=8, size=(420, 320), seed=11, jitter=4.0, breathing=0.03)
    _, told = merged(list(scene.frames), tmp_path, movement=True)
    assert told["moved"] == []


@pytest.mark.parametrize(
    ("times", "share", "told"),
    [(0.8, 0.8, False), (2, 0.5 * BLURRED, False), (2, 0.8, True), (1.5 * FAINT, 0.5 * BLURRED, True)],
    ids=["faint", "blurred", "as strong", "blurred, yet strong"],
)
def test_the_remains_of_a_blurred_pattern_decide_nothing(
    rng: np.random.Generator, times: float, share: float, told: bool
) -> None:
    weak = times * CONTRAST**2

    def look(power: float) -> _Look:
        pattern = rng.normal(0, power**0.5, (64, 64)).astype(np.float32)
        none = np.zeros((16, 16), np.bool_)
        light = np.full((16, 16), 0.5, np.float32)
        return _Look(
            pattern=pattern,
            strength=np.full((16, 16), power, np.float32),
            whole=~none,
            lamps=none,
            blown=none,
            mean=light,
        )

    one, other = look(weak), look(weak / share)
    for pair in ((one, other), (other, one)):
        assert _differ(*pair, neighbours=True).mean() == pytest.approx(float(told), abs=0.15)


@pytest.mark.parametrize(("share", "tells"), [(0.8 * KEPT, False), (1.2 * KEPT, True)])
def test_neighbours_of_which_blur_leaves_too_little_tell_nothing(share: float, tells: bool) -> None:
    none = np.zeros((16, 16), np.bool_)
    pattern = np.zeros((64, 64), np.float32)

    def look(power: float) -> _Look:
        strength = np.full((16, 16), power * CONTRAST**2, np.float32)
        light = np.full((16, 16), 0.5, np.float32)
        return _Look(pattern=pattern, strength=strength, whole=~none, lamps=none, blown=none, mean=light)

    assert _tell(look(40.0), look(40.0 * share)) == tells
    assert _tell(look(40.0 * share), look(40.0)) == tells


def test_lamps_are_what_is_bright_before_what_is_dark() -> None:
    light = np.full((64, 64), 0.02, np.float32)
    light[30:34, 30:34] = 1.0
    assert np.argwhere(_bright(light, (16, 16))[0]).min() == 6
    assert np.argwhere(_bright(light, (16, 16))[0]).max() == 9
    assert not _bright(np.full((64, 64), 1.0, np.float32), (16, 16))[0].any()
    assert not _bright(0.5 * light, (16, 16))[0].any()


def test_blown_light_that_spreads_is_no_movement_and_what_passes_before_it_is() -> None:
    cells = np.zeros((20, 20), np.bool_)
    cells[4:9, 4:9] = cells[13:17, 13:18] = True
    change = np.zeros((20, 20), np.float32)
    change[4:9, 4:9] = 0.2  # brighter all over
    change[13:17, 13:15], change[13:17, 15:18] = 0.2, -0.2  # it left one place for another
    spreading = _spreading(cells, change)
    assert spreading[4:9, 4:9].all()
    assert not spreading[10:].any()
    assert np.array_equal(spreading, _spreading(cells, -change))


def test_what_creeps_goes_one_way_and_disks_of_light_grow_to_all_sides() -> None:
    y, x = (a.ravel() for a in np.mgrid[6:14, 6:14])
    out = (x - 9.5) + 1j * (y - 9.5)

    def crept(way: NDArray[np.complex128], there: float = 0.04) -> _Crept:
        alike, light, same = (np.full(len(y), v, np.float32) for v in (0.95, there, 1.0))
        return _Crept(y=y, x=x, alike=alike, way=way, there=light, same=same)

    grows, creeps = crept(3 * out / np.abs(out)), crept(np.full(len(y), 2 - 1j))
    assert not _certain([grows, grows], (20, 20)).any()
    assert np.count_nonzero(_certain([creeps], (20, 20))) == 64
    back = crept(-creeps.way)
    assert np.count_nonzero(_certain([creeps, back], (20, 20))) == 64, "to and fro is movement, too"
    brighter = crept(creeps.way, there=0.6)
    assert not _certain([brighter], (20, 20)).any(), "a disk that becomes smaller becomes brighter"


def test_light_that_went_along_is_the_same_there_and_another_here() -> None:
    light = np.random.default_rng(3).uniform(0.2, 0.6, (80, 80)).astype(np.float32)
    gone = np.roll(light, (-2, 3), (0, 1))
    for way, pair, back in ((3 - 2j, (light, gone), False), (-3 + 2j, (gone, light), False)):
        there, same = _light_differs(pair, (40, 40), way, back=back)
        assert there == 0
        assert same > 0.01
        assert (there, same) == _light_differs(pair[::-1], (40, 40), way, back=True)
    dimmer, _ = _light_differs((light, gone * np.float32(0.8)), (40, 40), 3 - 2j, back=False)
    assert dimmer > 0.004
