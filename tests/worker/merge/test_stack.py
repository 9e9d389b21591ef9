"""One stack from frames to picture in this process: order of checks, keys of the result, stopping, going on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from nearfar.errors import DoesNotFit, Interrupted, NotCovered, SourceChanged, StackRefused, UsageError
from nearfar.frames.decode import read_header
from nearfar.frames.whole import whole_file
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.deliver.report import Report
from nearfar.merge.recipe import (
    CoverageRecipe,
    DeliverRecipe,
    FocusRecipe,
    Recipe,
    RegisterRecipe,
    RenderRecipe,
)
from nearfar.merge.scratch import folder_for
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.progress import Progress
from tests.acceptance.command import lay
from tests.scenes import Scene, render
from tests.worker.merge.brackets import bracket, ramp, texture

STEPS = ["identify", "survey", "register", "focus", "render", "deliver"]


class Steps(Progress):
    """Notes which steps were begun, and may do something at one of them."""

    def __init__(self, at: str | None = None, then: Callable[[], None] = lambda: None) -> None:
        super().__init__(quiet=True)
        self.begun: list[str] = []
        self._at, self._then = at, then

    def step(self, name: str, total_weight: float) -> None:
        self.begun.append(name)
        if name == self._at:
            self._then()
        super().step(name, total_weight)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return render("occlusion", frames=3, size=(260, 200), seed=4)


@pytest.fixture
def job(scene: Scene, tmp_path: Path) -> Request:
    return Request(
        headers=[read_header(p) for p in lay(scene.frames, tmp_path / "frames", format="jpeg")],
        outputs=Outputs.beside(tmp_path / "picture.tif"),
        recipe=Recipe(),
        memory=1 << 40,
        threads=2,
        scratch=tmp_path / "scratch",
    )


def run(job: Request, progress: Progress | None = None, stop: Stop | None = None) -> Report:
    return Merge(job, progress or Steps(), stop or Stop()).run()


def test_a_run_makes_all_steps_in_order(job: Request) -> None:
    steps = Steps()
    report = run(job, steps)
    assert steps.begun == STEPS
    assert [f["used"] for f in report.content["frames"]] == [True] * 3
    assert tifffile.imread(job.outputs.picture, key=0).shape == (200, 260, 3)


def test_a_finished_picture_is_found_and_its_report_given_back(job: Request) -> None:
    first = run(job)
    steps = Steps()
    assert run(job, steps).content == first.content
    assert steps.begun == ["identify"]


def test_what_is_on_the_way_is_removed_unless_it_is_to_be_kept(job: Request) -> None:
    place = folder_for(job.scratch, job.outputs.picture)
    run(replace(job, keep_scratch=True))
    assert len(list(place.glob("*.survey"))) == 3
    run(replace(job, recipe=Recipe(name="other", deliver=DeliverRecipe(preview_edge=64))))
    assert not place.exists()


def test_what_a_run_left_that_was_killed_at_its_very_end_goes_with_the_next(job: Request) -> None:
    run(replace(job, keep_scratch=True))
    assert run(job, steps := Steps()) is not None
    assert steps.begun == ["identify"]
    assert not folder_for(job.scratch, job.outputs.picture).exists()


def test_killed_while_it_delivers_it_does_not_decode_the_frames_again(job: Request) -> None:
    kept = replace(job, keep_scratch=True)
    run(kept)
    first = job.outputs.picture.read_bytes()
    place = folder_for(job.scratch, job.outputs.picture)
    # these go while the picture is written
    for gone in [job.outputs.picture, *place.glob("*.rows"), *place.glob("*.planes")]:
        gone.unlink()
    run(kept)
    assert job.outputs.picture.read_bytes() == first
    assert [*place.glob("*.rows"), *place.glob("*.planes")] == []


CHANGES: dict[str, Recipe] = {
    "register": Recipe(register=RegisterRecipe(same_scene=0.4)),
    "coverage": Recipe(coverage=CoverageRecipe(detail=0.5)),
    "hold": Recipe(coverage=CoverageRecipe(when="hold")),
    "focus": Recipe(focus=FocusRecipe(admit=0.9)),
    "noise": Recipe(render=RenderRecipe(noise=0.01)),
    "order": Recipe(focus=FocusRecipe(order="far-first")),
    "agreement": Recipe(render=RenderRecipe(agreement=2.0)),
    "chooser": Recipe(render=RenderRecipe(chooser="rule")),
    "preview": Recipe(deliver=DeliverRecipe(preview_edge=100)),
}
REMADE = {
    # endings of what each change makes again in a scratch folder that was kept
    "register": {"register", "coverage", "spots", "focus", "moved", "volume", "band"},
    "coverage": {"coverage"},
    "hold": set(),
    "focus": {"focus", "moved", "volume", "band"},
    "noise": {"register", "coverage", "spots", "focus", "moved", "volume", "band"},
    "order": {"band"},
    "agreement": {"band"},
    "chooser": {"band"},
    "preview": set(),
}


@pytest.mark.parametrize("change", CHANGES)
def test_other_settings_make_anew_what_they_change_and_nothing_before_it(change: str, job: Request) -> None:
    kept = replace(job, keep_scratch=True)
    run(kept)
    place = folder_for(job.scratch, job.outputs.picture)
    before = {p.name for p in place.iterdir()}
    run(replace(kept, recipe=CHANGES[change]))
    added = {p.suffix[1:] for p in place.iterdir() if p.name not in before}
    assert added - {"map", "level1", "picture"} == REMADE[change]


def test_one_frame_less_surveys_nothing_anew(job: Request) -> None:
    kept = replace(job, keep_scratch=True)
    run(kept)
    place = folder_for(job.scratch, job.outputs.picture)
    surveys = {p.name: p.stat().st_mtime_ns for p in place.glob("*.survey")}
    report = run(replace(kept, headers=job.headers[:2]))
    assert len(report.content["frames"]) == 2
    assert {p.name: p.stat().st_mtime_ns for p in place.glob("*.survey")} == surveys


def test_tiles_and_threads_are_no_other_picture(job: Request) -> None:
    run(job)
    for other in (
        replace(job, threads=1),
        replace(job, recipe=Recipe(render=RenderRecipe(tile=64))),
        replace(job, memory=1 << 39),
    ):
        steps = Steps()
        run(other, steps)
        assert steps.begun == ["identify"]


@pytest.mark.parametrize("step", STEPS[1:])
def test_asked_to_stop_it_stops_and_goes_on_later_with_the_same_bytes(
    step: str, job: Request, tmp_path: Path
) -> None:
    whole = replace(job, outputs=Outputs.beside(tmp_path / "whole.tif"))
    run(whole)
    stop = Stop()
    with pytest.raises(Interrupted, match="stopped by a test; run the same command again to go on from here"):
        run(job, Steps(step, lambda: stop.ask("a test")), stop)
    assert not job.outputs.picture.exists()
    run(job)
    assert job.outputs.picture.read_bytes() == whole.outputs.picture.read_bytes()


def test_frames_that_do_not_go_together_are_refused_before_memory_is_planned(
    job: Request, scene: Scene, tmp_path: Path
) -> None:
    (odd,) = lay(scene.frames[:1, :100], tmp_path / "odd", format="jpeg", names=["odd.jpg"])
    mixed = replace(job, headers=[*job.headers, read_header(odd)], memory=1)
    with pytest.raises(StackRefused, match="odd.jpg"):
        run(mixed)


def test_what_does_not_fit_is_refused_before_scratch_is_made(job: Request) -> None:
    with pytest.raises(DoesNotFit):
        run(replace(job, memory=1 << 20))
    with pytest.raises(UsageError, match="no frame has that name"):
        run(replace(job, reference="F0009"))
    assert not job.scratch.exists()


@pytest.mark.parametrize("step", ["survey", "register", "render"])
def test_a_frame_that_changes_on_the_way_is_told_and_no_picture_made(step: str, job: Request) -> None:
    path = job.headers[1].path

    def change() -> None:
        data = bytearray(path.read_bytes())
        data[-500] ^= 255
        path.write_bytes(data)

    with pytest.raises(SourceChanged, match="F0002.jpg: found other contents than at the start"):
        run(job, Steps(step, change))
    assert not job.outputs.picture.exists()


def test_a_frame_that_is_gone_on_the_way_is_told_and_no_picture_made(job: Request) -> None:
    path = job.headers[1].path
    with pytest.raises(SourceChanged, match="F0002.jpg"):
        run(job, Steps("render", path.unlink))
    assert not job.outputs.picture.exists()


def test_a_frame_that_is_touched_or_replaced_by_its_copy_is_the_same(job: Request, tmp_path: Path) -> None:
    path = job.headers[1].path

    def copy() -> None:
        (tmp_path / "copy").write_bytes(path.read_bytes())
        (tmp_path / "copy").replace(path)

    run(job, Steps("render", copy))
    assert job.outputs.picture.exists()


def test_what_killed_runs_left_beside_the_picture_is_removed(job: Request, tmp_path: Path) -> None:
    with whole_file(job.outputs.picture) as part:
        part.touch()
        (tmp_path / part.name.replace("part", "0.part")).write_bytes(b"half")
    (tmp_path / ".nearfar-0123456789-abc.part").write_bytes(b"of another picture")
    assert len(list(tmp_path.glob(".nearfar-*"))) == 2
    run(job)
    assert [p.name for p in tmp_path.glob(".nearfar-*")] == [".nearfar-0123456789-abc.part"]


def test_what_another_run_with_its_own_scratch_is_writing_stays(job: Request, tmp_path: Path) -> None:
    with whole_file(job.outputs.picture) as part:
        part.write_bytes(b"of the other run")
        run(job)
        assert part.read_bytes() == b"of the other run"
    assert job.outputs.picture.read_bytes() == b"of the other run"


def test_the_seconds_of_a_run_are_told_by_step(job: Request) -> None:
    seconds: dict[str, Any] = run(job).content["seconds"]
    assert seconds["total"] >= max(seconds[s] for s in STEPS[1:])
    assert min(seconds.values()) >= 0


def test_stop_may_be_asked_from_any_thread() -> None:
    stop = Stop()
    stop.check()
    thread = threading.Thread(target=stop.ask, args=("a thread",))
    thread.start()
    thread.join()
    with pytest.raises(Interrupted, match="stopped by a thread"):
        stop.check()


def test_the_noise_of_the_recipe_is_believed(job: Request) -> None:
    report = run(replace(job, recipe=Recipe(render=RenderRecipe(noise=0.02))))
    assert report.content["noise"] == pytest.approx(0.02, rel=1e-3)
    assert np.isfinite(report.content["noise"])


def test_a_stack_that_leaves_a_slice_out_is_warned_of_or_held(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    size, frames = (480, 192), [0, 1, 2, 3, 6, 7, 8, 9]
    pictures = np.stack(bracket(rng, texture(rng, size), ramp(size, 0, 9), frames, blur=0.8))
    job = Request(
        headers=[read_header(p) for p in lay(pictures, tmp_path / "frames", format="tiff16")],
        outputs=Outputs.beside(tmp_path / "picture.tif"),
        recipe=Recipe(coverage=CoverageRecipe(when="hold")),
        memory=1 << 40,
        threads=2,
        scratch=tmp_path / "scratch",
    )
    sides = job.headers[3].path.name, job.headers[4].path.name
    with pytest.raises(NotCovered, match="The recipe holds such stacks") as caught:
        run(job)
    assert all(name in str(caught.value) for name in sides)
    assert not job.outputs.picture.exists()
    report = run(replace(job, recipe=Recipe())).content
    (found,) = report["coverage"]["findings"]
    assert (found["kind"], found["after"], found["before"]) == ("slice", *sides)
    gaps = [(g["after"], g["before"]) for g in report["gaps"]]
    assert (found["text"] in report["warnings"]) is (sides not in gaps)
