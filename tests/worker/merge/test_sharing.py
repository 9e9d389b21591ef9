"""Several processes at one stack: what one leaves another takes, and the result is that of one alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.decode import read_header
from nearfar.frames.deliverable import encode_tile
from nearfar.merge import recipe as recipes
from nearfar.merge.deliver.beside import ENDINGS, Beside
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.plan import make_plan
from nearfar.merge.register import Registration
from nearfar.merge.registering import to_json
from nearfar.merge.scratch import Scratch, share_scratch
from nearfar.merge.sharing import (
    KIND,
    Enough,
    SharedLinks,
    SharedPatterns,
    focus_with_helpers,
    freeze,
    help_deliver,
    help_focus,
    help_register,
    register_with_helpers,
    thaw,
)
from nearfar.merge.stack_frames import StackInput, Workplace
from nearfar.merge.steps import Steps
from nearfar.merge.survey import identify
from tests.acceptance.command import lay
from tests.scenes import render
from tests.scenes.bent import render_bent
from tests.worker.merge.common import common

MakeSteps = Callable[..., Steps]


class Pose(NamedTuple):
    a: complex
    t: complex


@dataclass(frozen=True, kw_only=True)
class Found:
    pose: Pose
    known: NDArray[np.float64]
    which: NDArray[np.int32]
    gain: float | None
    holds: bool


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return lay(
        render("occlusion", frames=7, size=(320, 240), seed=7).frames, tmp_path_factory.mktemp("frames")
    )


@pytest.fixture(scope="module")
def tall(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three bands, and so two rows of tiles of the first reduced level."""
    scene = render("occlusion", frames=3, size=(160, 1100), seed=7)
    return lay(scene.frames, tmp_path_factory.mktemp("tall"))


@pytest.fixture
def steps_of(tmp_path: Path, frames: list[Path]) -> MakeSteps:
    """Steps of one stack on a work folder, by its name."""
    return making(tmp_path, frames)


@pytest.fixture
def tall_steps(tmp_path: Path, tall: list[Path]) -> MakeSteps:
    return making(tmp_path, tall)


def making(tmp_path: Path, frames: list[Path]) -> MakeSteps:
    headers = [read_header(path) for path in frames]
    marks = {h.path: identify(h) for h in headers}

    def make(folder: str, threads: int = 1) -> Steps:
        scratch = share_scratch(tmp_path / folder, tmp_path / f"{folder}-local", mark="u1t1")
        plan = make_plan(headers, limit=1 << 40, threads=threads, tile=256, learned=False)
        recipe = recipes.load(recipes.DEFAULT)
        given = StackInput(headers=headers, marks=marks, recipe=recipe)
        return Steps(given, Workplace(plan=plan, scratch=scratch, check=lambda: None))

    return make


def shares(count: int, scratch: Scratch | None = None) -> list[SharedLinks]:
    folder = scratch or Scratch(Path("/nowhere"))
    return [SharedLinks(folder, "k", place=k, count=count, over=lambda: False) for k in range(count)]


def test_values_come_back_bit_for_bit() -> None:
    rng = np.random.default_rng(5)
    one = Found(
        pose=Pose(complex(0.1, -1e-300), np.complex128(np.pi + 3j)),
        known=rng.normal(size=(4, 4)).T,
        which=np.arange(6, dtype=np.int32).reshape(3, 2),
        gain=None,
        holds=True,
    )
    other = Found(pose=one.pose, known=np.full((0, 2), 1.0), which=one.which, gain=float("inf"), holds=False)
    (a, first), (b, second), nothing = thaw(freeze([(3, one), (np.float64(0.1), other), None]), (Found, Pose))
    assert (a, b, nothing) == (3, 0.1, None)
    for given, back in ((one, first), (other, second)):
        assert back.pose == given.pose
        assert [type(v) for v in back.pose] == [type(v) for v in given.pose]
        assert (back.gain, back.holds) == (given.gain, given.holds)
        assert back.known.dtype == np.float64
        assert np.array_equal(back.known, given.known)
        assert back.known.strides == given.known.strides
        assert np.array_equal(back.which, given.which)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_each_sees_to_every_piece_and_they_begin_apart(count: int) -> None:
    orders = [one.order(20) for one in shares(count)]
    assert all(sorted(order) == list(range(20)) for order in orders)
    assert len({order[0] for order in orders}) == count
    halves = [set(order[: 20 // count]) for order in orders]
    assert sum(len(half) for half in halves) == len(set.union(*halves)), "first parts do not overlap"


def test_what_is_damaged_counts_as_not_there(tmp_path: Path) -> None:
    scratch = share_scratch(tmp_path / "work", tmp_path / "local", mark="u1t1")
    (one,) = shares(1, scratch)
    one.give("fine-1", 3, [1, 2.5])
    assert one.take("fine-1", 3, ()) == [1, 2.5]
    assert one.take("fine-1", 4, ()) is None
    (path,) = scratch.folder.glob(f"*.{KIND}")
    for content in (b"", path.read_bytes()[:-3], b"nothing of that kind"):
        path.write_bytes(content)
        assert one.take("fine-1", 3, ()) is None


def test_a_helper_ends_once_the_registration_is_there(tmp_path: Path) -> None:
    scratch = share_scratch(tmp_path / "work", tmp_path / "local", mark="u1t1")
    done: list[bool] = []
    share = SharedLinks(scratch, "k", place=1, count=2, over=lambda: bool(done))
    assert share.take("fine-1", 0, ()) is None
    done.append(True)
    with pytest.raises(Enough):
        share.take("fine-1", 0, ())
    with pytest.raises(Enough):
        share.all_linked()
    SharedLinks(scratch, "k", place=0, count=2, over=lambda: True).all_linked()


def found_alone(steps_of: MakeSteps) -> Registration:
    return steps_of("alone").registration()


@pytest.mark.parametrize("helpers", [1, 3])
def test_with_helpers_the_registration_is_the_same(
    steps_of: MakeSteps, helpers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each helper is stopped after a few pieces, so that all are taken from several."""
    expected = to_json(found_alone(steps_of))
    give, given = SharedLinks.give, [0]

    def few(self: SharedLinks, step: str, piece: int, found: object) -> None:
        give(self, step, piece, found)
        given[0] += 1
        if self.place and given[0] % 5 == 0:
            raise Enough

    monkeypatch.setattr(SharedLinks, "give", few)
    for _ in range(3):
        for place in range(1, helpers + 1):
            help_register(steps_of("work"), place, helpers)
    assert to_json(register_with_helpers(steps_of("work"), helpers, lambda _: None)) == expected


def test_frames_that_are_bent_are_the_same_with_helpers(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    bent = render_bent("occlusion", frames=6, size=(320, 240), tilt=2.5, seed=7)
    steps_of = making(tmp_path, lay(bent.scene.frames, tmp_path_factory.mktemp("bent")))
    alone = found_alone(steps_of)
    assert alone.bent is not None
    help_register(steps_of("work"), 1, 1)
    assert to_json(register_with_helpers(steps_of("work"), 1, lambda _: None)) == to_json(alone)


def test_what_helpers_left_is_taken_and_then_removed(
    steps_of: MakeSteps, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = to_json(found_alone(steps_of))
    help_register(steps_of("work"), 1, 1)
    steps = steps_of("work")
    assert not steps.is_registered
    left = list(steps.scratch.folder.glob(f"*.{KIND}"))
    assert {p.name.split(".")[1].split("-")[0] for p in left} == {"coarse", "gains", "tilt", "fine", "spots"}

    def nothing(*_: object, **__: object) -> None:
        raise AssertionError("measured although it was there")

    monkeypatch.setattr("nearfar.merge.register.fine_linking.fine_link", nothing)
    assert to_json(register_with_helpers(steps, 1, lambda _: None)) == expected
    assert not list(steps.scratch.folder.glob(f"*.{KIND}"))
    help_register(steps_of("work"), 1, 1)
    assert not list(steps.scratch.folder.glob(f"*.{KIND}"))


@pytest.fixture
def swaying(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> MakeSteps:
    """Frames between which leaves move."""
    scene = common("foliage")
    return making(tmp_path, lay(scene.frames, tmp_path_factory.mktemp("swaying")))


def test_what_a_band_costs_goes_by_the_frames_let_in(tall_steps: MakeSteps) -> None:
    steps = tall_steps("work")
    admitted = steps.focus()[1].admitted
    assert admitted.shape[0] == 69, "cells of 16 pixels, 16 to a tile"
    tiles = [admitted[a : a + 16].any(axis=(0, 2)).sum() for a in range(0, 69, 16)]
    assert steps.costs() == [tiles[0] + tiles[1], tiles[2] + tiles[3], tiles[4]], "one tile across"
    assert steps.costs()[2] < steps.costs()[0]


def focused(steps: Steps) -> dict[str, object]:
    """All that a focus step leaves, by kind."""
    found, volume = steps.focus()
    said = {kind: steps.scratch.load_text(steps.keys.focus, kind) for kind in ("moved",)}
    said["coverage"] = steps.scratch.load_text(steps.keys.coverage, "coverage")
    arrays = {**vars(found), "prior": volume.prior, "admitted": volume.admitted}
    return said | {name: (a.dtype, a.shape, a.tobytes()) for name, a in arrays.items()}


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("pieces", [0, 1, 4, 9])
def test_with_a_helper_the_focus_map_is_the_same(
    swaying: MakeSteps, pieces: int, threads: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The helper is stopped after some pieces; twice, as one that was lost and another one."""
    expected = focused(swaying("alone"))
    assert expected["moved"], "something moved, so that patterns decide"
    give, given = SharedPatterns.give, [0]

    def few(self: SharedPatterns, step: str, piece: int, found: object) -> None:
        give(self, step, piece, found)
        given[0] += bool(self.place)
        if self.place and given[0] >= pieces:
            raise Enough

    monkeypatch.setattr(SharedPatterns, "give", few)
    for _ in range(2 if pieces else 0):
        given[0] = 0
        help_focus(swaying("work"))
    made = list(swaying("work").scratch.folder.glob(f"*.pattern-*.{KIND}"))
    assert len(made) == min(2 * pieces, 9)
    steps = swaying("work", threads)
    focus_with_helpers(steps, 1, lambda _: None)
    assert focused(swaying("work")) == expected
    assert not list(steps.scratch.folder.glob(f"*.{KIND}"))


def test_what_a_helper_found_of_the_focus_is_taken(
    swaying: MakeSteps, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = focused(swaying("alone"))
    help_focus(swaying("work"))

    def nothing(*_: object, **__: object) -> None:
        raise AssertionError("made although it was there")

    for name in ("nearfar.merge.focus.patterns._look", "nearfar.merge.coverage.stack.find_coverage"):
        monkeypatch.setattr(name, nothing)
    focus_with_helpers(swaying("work"), 1, lambda _: None)
    assert focused(swaying("work")) == expected
    help_focus(swaying("work"))
    assert not list(swaying("work").scratch.folder.glob(f"*.{KIND}")), "nothing is left to help with"


def test_patterns_that_are_damaged_are_made_again(swaying: MakeSteps) -> None:
    expected = focused(swaying("alone"))
    help_focus(swaying("work"))
    for number, path in enumerate(sorted(swaying("work").scratch.folder.glob(f"*.{KIND}"))):
        path.write_bytes(path.read_bytes()[: (0, 70, -5)[number % 3]])
    focus_with_helpers(swaying("work"), 1, lambda _: None)
    assert focused(swaying("work")) == expected


def test_a_volume_that_a_power_cut_took_is_made_again(swaying: MakeSteps) -> None:
    """It has its size from the start: what was not written of it reads as zeros, posix_fallocate(3)."""
    expected = focused(swaying("work"))
    steps = swaying("work")
    path = steps.scratch.path(steps.keys.focus, "volume")
    path.write_bytes(bytes(path.stat().st_size))
    with pytest.raises(WorkFailed, match="removed and will be made again"):
        steps.focus()
    assert focused(swaying("work")) == expected


def delivered(steps: Steps, folder: Path, beside: Beside | None = None) -> dict[str, bytes]:
    """Files of a result by their endings, those without times and memory."""
    folder.mkdir()
    outputs = Outputs.beside(folder / "picture.tif")
    with steps.delivery() as delivery:
        share = steps.gather(delivery)
        steps.deliver(
            *(delivery, share, outputs),
            notes=[],
            finish=lambda report: report.timed({"total": 1.0}, 1),
            beside=beside,
        )
    return {ending: outputs.named(ending).read_bytes() for ending in ("tif", *ENDINGS)}


def test_with_helpers_the_delivery_is_the_same_and_nothing_is_made_twice(
    tall_steps: MakeSteps, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = delivered(tall_steps("alone"), tmp_path / "one")
    for band in range(tall_steps("work").bands):  # each by a worker of its own
        steps = tall_steps("work")
        list(steps.render([band]))
        steps.reduced().make([band], lambda: None)
    help_deliver(tall_steps("work"))
    steps = tall_steps("work")
    beside = Beside(steps.scratch, steps.keys.result)
    assert all(path.is_file() for path in (*beside.paths(), *steps.reduced().paths()))

    def nothing(*_: object, **__: object) -> None:
        raise AssertionError("made although it was there")

    for name in ("_write_preview", "_write_map", "_write_colours", "_write_doubt", "_write_plot"):
        monkeypatch.setattr(f"nearfar.merge.deliver.side_files.{name}", nothing)
    coded: list[int] = []

    def counted(tile: NDArray[np.uint16]) -> bytes:
        coded.append(tile.size)
        return encode_tile(tile)

    monkeypatch.setattr("nearfar.merge.deliver.pyramid.encode_tile", counted)
    assert delivered(steps, tmp_path / "other", beside) == expected
    assert len(coded) == 1, "the smallest level alone"


def test_rows_of_tiles_that_are_damaged_or_not_there_are_coded_in_delivery(
    tall_steps: MakeSteps, tmp_path: Path
) -> None:
    expected = delivered(tall_steps("alone"), tmp_path / "one")
    steps = tall_steps("work")
    list(steps.render(range(steps.bands)))
    steps.reduced().make(range(steps.bands), lambda: None)
    first, *others = steps.reduced().paths()
    first.write_bytes(first.read_bytes()[:-10])
    for other in others:
        other.unlink()
    assert delivered(tall_steps("work"), tmp_path / "other") == expected
