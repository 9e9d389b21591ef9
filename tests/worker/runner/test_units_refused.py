"""What goes wrong with a unit ends in a cause and a sentence, and is tried again where that may help."""

from __future__ import annotations

import errno
import logging
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from nearfar.jobs import FrameState, JobState, UnitKind, UnitState
from nearfar.runner import performing
from nearfar.runner.results.publish import MAKING
from tests.acceptance.command import lay
from tests.scenes import Scene, render
from tests.worker.runner.workbench import ALL, Bench, result_of


def truncated(paths: list[Path]) -> str:
    paths[1].write_bytes(paths[1].read_bytes()[:2000])
    return "F0002.jpg"


def empty(paths: list[Path]) -> str:
    paths[2].write_bytes(b"")
    return "F0003.jpg: found an empty file"


def huge(paths: list[Path]) -> str:
    data = bytearray(paths[0].read_bytes())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = b"\xff\xff\xff\xff"
    paths[0].write_bytes(data)
    return "F0001.jpg: found a"


@pytest.mark.parametrize("spoil", [truncated, empty, huge])
def test_frames_that_cannot_be_read_end_the_job_with_their_names(
    spoil: Callable[[list[Path]], str], bench: Bench, frames: list[Path]
) -> None:
    wanted = spoil(frames)
    job = bench.submit(frames)
    bench.work_off()
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "input")
    assert wanted in (found.reason or "")
    bad = [e for e in bench.store.frames(job) if e.state is FrameState.REFUSED]
    assert [Path(e.path).name for e in bad] == [wanted[:9]]
    assert bad[0].reason == found.reason
    assert len(bench.store.attempts(job)) == 2, "begun once, failed once"


def test_pixels_that_cannot_be_read_end_the_job(bench: Bench, small: Scene) -> None:
    """A PNG whose data do not meet their checksum: its header is sound."""
    paths = lay(small.frames, bench.places.inbox / "moss", format="png16")
    data = bytearray(paths[1].read_bytes())
    data[len(data) // 2] ^= 255
    paths[1].write_bytes(data)
    job = bench.submit(paths)
    bench.work_off()
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "input")
    bad = [(Path(e.path).name, e.reason) for e in bench.store.frames(job) if e.state is FrameState.REFUSED]
    assert bad == [("F0002.png", found.reason)]
    assert bench.parts() == []


def test_all_frames_that_cannot_be_read_are_named(bench: Bench, frames: list[Path]) -> None:
    for path in frames[:2]:
        path.write_bytes(b"")
    job = bench.submit(frames)
    bench.work_off()
    reason = bench.job(job).reason or ""
    assert "2 of 3 files cannot be used" in reason
    assert "F0001.jpg" in reason
    assert "F0002.jpg" in reason
    states = [e.state for e in bench.store.frames(job)]
    assert states == [FrameState.REFUSED, FrameState.REFUSED, FrameState.PRESENT]


def test_frames_of_two_sizes_end_the_job_before_any_is_decoded(
    bench: Bench, frames: list[Path], small: Scene
) -> None:
    odd = lay(small.frames[:1, :100], bench.places.inbox / "moss", format="jpeg", names=["odd.jpg"])
    job = bench.submit([*frames, *odd])
    bench.work_off()
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "input")
    assert "odd.jpg (160 x 100 pixels)" in (found.reason or "")
    bad = {Path(e.path).name: e.reason for e in bench.store.frames(job) if e.state is FrameState.REFUSED}
    assert bad == {
        "odd.jpg": "another size than most frames: found 160 x 100 pixels; expected 160 x 120 pixels"
    }
    assert bench.outputs("survey") == {}


def test_frames_of_two_scenes_end_the_job(bench: Bench, frames: list[Path]) -> None:
    other = render("hairs", frames=2, size=(160, 120), seed=9)
    more = lay(other.frames[:1], bench.places.inbox / "other", format="jpeg", names=["other.jpg"])
    job = bench.submit([frames[0], *more])
    bench.work_off()
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "input")
    assert "show the same scene" in (found.reason or "")


def test_one_frame_is_no_stack(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames[:1])
    bench.work_off()
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "input")
    assert "found 1 frame to merge; expected at least two" in (found.reason or "")


def test_two_frames_of_one_name_are_refused(bench: Bench, frames: list[Path], small: Scene) -> None:
    twin = lay(small.frames[:1], bench.places.inbox / "other", format="jpeg")
    job = bench.submit([*frames, *twin])
    bench.work_off()
    assert "two frames called F0001.jpg" in (bench.job(job).reason or "")


def test_a_reference_that_is_not_there_is_refused(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames, settings={"reference": "F0009"})
    bench.work_off()
    found = bench.job(job)
    assert found.cause == "input"
    assert (found.reason or "").startswith("reference F0009: no frame has that name")


def test_what_does_not_fit_into_memory_fails_with_what_would_do(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames)
    bench.work_off(replace(bench.hands, memory=1 << 20))
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "room")
    assert "the least that would do is" in (found.reason or "")
    assert "[worker]" in (found.reason or "")
    assert "--memory" not in (found.reason or "")


def test_what_does_not_fit_here_is_left_to_a_larger_worker(bench: Bench, frames: list[Path]) -> None:
    for name, memory in (("w1", 1 << 20), ("w2", 1 << 40)):
        bench.store.register(name, host="bench", pid=1, version="", slots=1, memory=memory, disk=1 << 40)
    job = bench.submit(frames)
    bench.do(bench.claim("w1"), replace(bench.hands, memory=1 << 20))
    assert bench.job(job).state is JobState.RUNNING
    bench.work_off(worker="w2")
    result_of(bench, job)


@pytest.mark.parametrize("kind", [k for k in ALL if k is not UnitKind.REGISTER])
def test_without_space_a_unit_rests_uncounted_and_goes_on_by_itself(
    kind: UnitKind, bench: Bench, frames: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    real = shutil.disk_usage(bench.places.data)
    with monkeypatch.context() as now:
        now.setattr(shutil, "disk_usage", lambda _: real._replace(free=1))
        bench.do(claim)
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.attempts) == (UnitState.READY, 0)
    assert unit.not_before > bench.store.now() + 5
    assert unit.cause == "disk"
    assert "there is no space on a disk: " in (unit.reason or "")
    assert "1 B of disk are free" in (unit.reason or "")
    assert bench.parts() == []
    with bench.store.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE units SET not_before = 0")
    bench.work_off()
    result_of(bench, job)


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES])
def test_results_that_may_not_be_written_are_told_of_and_waited_for(
    number: int, bench: Bench, frames: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As mkdir(2) answers for a share that was mounted read-only, or given to somebody else."""
    job = bench.submit(frames)
    claim = bench.until(UnitKind.DELIVER)
    real = Path.mkdir

    def shut(self: Path, *more: object, **named: object) -> None:
        if self.is_relative_to(bench.places.results / MAKING):
            raise OSError(number, os.strerror(number), str(self))
        real(self, *more, **named)  # type: ignore[arg-type]

    with monkeypatch.context() as now:
        now.setattr(Path, "mkdir", shut)
        bench.do(claim)
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.cause, unit.attempts) == (UnitState.READY, "folder", 0)
    assert os.strerror(number) in (unit.reason or "")
    assert "let the user of the server write there" in (unit.reason or "")
    assert bench.job(job).state is JobState.RUNNING
    with bench.store.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE units SET not_before = 0")
    bench.work_off()
    result_of(bench, job)
    assert bench.parts() == []


def test_a_disk_that_can_never_do_fails_the_job(bench: Bench, frames: list[Path]) -> None:
    job = bench.submit(frames)
    bench.work_off(replace(bench.hands, spare_disk=1 << 60))
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "room")
    assert "worker.spare_disk" in (found.reason or "")


@pytest.mark.parametrize("kind", ALL[1:])
def test_a_frame_that_changed_since_its_survey_fails_the_job(
    kind: UnitKind, bench: Bench, frames: list[Path], small: Scene
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    lay(small.frames[:1], frames[1].parent, format="jpeg", names=[frames[1].name])
    bench.do(claim)
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "changed")
    assert "F0002.jpg" in (found.reason or "")
    bench.store.run_again(job, who="tester")
    bench.work_off()
    result_of(bench, job)


@pytest.mark.parametrize("kind", ALL)
def test_a_frame_that_is_touched_or_copied_over_is_the_same(
    kind: UnitKind, bench: Bench, frames: list[Path], tmp_path: Path
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    os.utime(frames[0])
    copy = tmp_path / "copy"
    copy.write_bytes(frames[1].read_bytes())
    copy.replace(frames[1])
    bench.do(claim)
    bench.work_off()
    assert result_of(bench, job).exists()


@pytest.mark.parametrize("kind", ALL)
def test_frames_that_vanished_with_their_folder_may_come_back(
    kind: UnitKind, bench: Bench, frames: list[Path]
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    away = frames[1].parent.with_name("elsewhere")
    frames[1].parent.rename(away)
    bench.do(claim)
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.cause) == (UnitState.READY, "missing")
    assert ".jpg: there is no such file" in (unit.reason or "")
    away.rename(frames[1].parent)
    bench.work_off()
    result_of(bench, job)


@pytest.mark.parametrize("kind", ALL)
def test_a_frame_that_was_taken_out_of_its_folder_fails_the_job_at_once_and_is_named(
    kind: UnitKind, bench: Bench, frames: list[Path]
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    away = frames[1].rename(frames[1].parent.with_name("elsewhere"))
    bench.do(claim)
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "missing")
    assert (found.reason or "").startswith(
        f"F0002.jpg: there is no such file any longer in {frames[1].parent}"
    )
    (unit,) = (u for u in bench.store.units(job, run=found.run) if u.id == claim.unit)
    assert unit.attempts == 1
    away.rename(frames[1])
    bench.store.run_again(job, who="tester")
    bench.work_off()
    result_of(bench, job)


def test_a_mistake_in_the_program_fails_the_unit_and_is_logged_with_its_trace(
    bench: Bench, frames: list[Path], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def wrong(*_: object) -> None:
        raise KeyError("colour")

    monkeypatch.setitem(performing.STAGES, UnitKind.FOCUS, wrong)
    job = bench.submit(frames)
    with caplog.at_level(logging.ERROR):
        bench.work_off()
    found = bench.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "mistake")
    assert "KeyError: 'colour'" in (found.reason or "")
    record = caplog.records[0]
    assert record.exc_info is not None
    assert (record.job, record.step) == (job, "focus")  # type: ignore[attr-defined]


def test_a_job_that_is_forgotten_meanwhile_is_dropped(bench: Bench, frames: list[Path]) -> None:
    bench.submit(frames)
    claim = bench.claim()
    with bench.store.database.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM jobs")
    bench.do(claim)
    assert bench.parts() == []
