"""Workers that are killed, disks that fail, several workers at once: a whole result in the end, never a half one."""

from __future__ import annotations

import errno
import os
import signal
import time
from collections.abc import Iterator
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from nearfar.jobs import JobState, UnitKind, UnitState
from nearfar.jobs.engine import dispose
from nearfar.runner import weights
from nearfar.runner.processes import here
from nearfar.runner.reconcile import Reconciler
from nearfar.runner.work import note_end
from tests.acceptance.command import lay
from tests.failing import Failing
from tests.forking import started
from tests.scenes import Scene, render
from tests.worker.runner.workbench import (
    ALL,
    LEASE,
    Bench,
    cut_off,
    merged,
    result_of,
    run_out,
    same_files,
    worker,
)

NAME = f"{here.host()}/1-1"


@pytest.fixture(scope="module")
def tall() -> Scene:
    """Six frames of two bands."""
    return render("occlusion", frames=6, size=(120, 530), seed=7)


@pytest.fixture
def stack(tmp_path: Path, tall: Scene, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Bench, int, Path]]:
    """A bench with a job of four survey units, and the picture that it has to give."""
    monkeypatch.setattr(weights, "MOST_FRAMES", 2)
    bench = Bench.at(tmp_path / "data", lease=LEASE)
    paths = lay(tall.frames, bench.places.inbox / "moss", format="jpeg")
    wanted = merged(paths, tmp_path / "command")
    yield bench, bench.submit(paths), wanted
    dispose(bench.store.database.engine)


def start(bench: Bench, job: int, name: str, die_in: str | None = None) -> BaseProcess:
    return started(worker, bench.places.data, name, die_in, job)


def test_two_processes_with_scratch_of_their_own_share_a_job(stack: tuple[Bench, int, Path]) -> None:
    bench, job, wanted = stack
    processes = [start(bench, job, name) for name in ("one", "two")]
    for process in processes:
        process.join(60)
    assert [p.exitcode for p in processes] == [0, 0]
    assert same_files(result_of(bench, job), wanted)
    assert bench.parts() == []
    done = [a for a in bench.store.attempts(job) if a.step == "done"]
    assert len(done) == len({a.unit for a in done}) == len(bench.store.units(job)) == 9


@pytest.mark.parametrize("kind", ALL)
def test_a_worker_that_is_killed_in_a_unit_costs_one_attempt(
    kind: UnitKind, stack: tuple[Bench, int, Path]
) -> None:
    bench, job, wanted = stack
    victim = start(bench, job, "victim", kind)
    victim.join(60)
    assert victim.exitcode == -signal.SIGKILL
    assert bench.job(job).state is JobState.RUNNING
    run_out(bench.store)
    until = time.monotonic() + 60
    while bench.job(job).state is JobState.RUNNING and time.monotonic() < until:
        bench.store.reap()
        bench.work_off(bench.elsewhere("heir"), "heir")
        time.sleep(0.05)
    assert same_files(result_of(bench, job), wanted)
    lost = [a for a in bench.store.attempts(job) if a.step == "lost"]
    assert [a.cause for a in lost] == ["lost"]
    assert not list((bench.places.results / ".making").iterdir())


CALLS = {"fsync": 8, "replace": 6, "rename": 1, "write": 6, "posix_fallocate": 1, "mkdir": 6}
"""Calls of the system, and every how many of them one is made to fail."""


@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC])
@pytest.mark.parametrize("name", CALLS)
def test_whichever_call_fails_the_result_is_whole_or_absent(
    name: str, error: int, bench: Bench, frames: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = getattr(os, name)
    wanted = merged(frames, tmp_path / "command")

    def run(at: int | None, stack: str) -> int:
        job = bench.submit(frames, stack)
        failing = Failing(at, error)
        while True:
            monkeypatch.setattr(os, name, failing.wrap(real))
            claim = bench.store.claim("w1")
            if claim is not None:
                bench.do(claim)
            monkeypatch.setattr(os, name, real)
            assert bench.parts() == []
            assert_whole(bench.places.results / stack, wanted)
            if claim is None and not rested(bench):
                break
        assert same_files(result_of(bench, job), wanted)
        ends = [str(a.step) for a in bench.store.attempts(job) if a.step in ("failed", "handed back")]
        assert ends in ([], ["failed" if error == errno.EIO else "handed back"])
        return failing.calls

    calls = run(None, "first")
    assert calls > 0
    for at in range(1, calls + 1, CALLS[name]):
        run(at, f"at {at}")


def assert_whole(folder: Path, wanted: Path) -> None:
    picture = folder / f"{folder.name}.tif"
    assert not folder.exists() or same_files(picture, wanted)


def rested(bench: Bench) -> bool:
    """Let units that were handed back for a while begin at once; whether there were any."""
    waiting = [u for job in (bench.store.jobs().jobs) for u in bench.store.units(job.id)]
    resting = [u for u in waiting if u.state is UnitState.READY and u.not_before > bench.store.now()]
    with bench.store.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE units SET not_before = 0")
    return bool(resting)


@pytest.mark.parametrize("what", ["frame", "rows"])
def test_a_mapped_file_that_is_cut_off_costs_one_attempt_and_is_named_by_the_next(
    what: str, tmp_path: Path, tall: Scene
) -> None:
    """POSIX, mmap: a reference to a page beyond the end of the file gives SIGBUS."""
    bench = Bench.at(tmp_path / "data", lease=60.0)
    form = "tiff16" if what == "frame" else "jpeg"
    paths = lay(tall.frames, bench.places.inbox / "moss", format=form)
    job = bench.submit(paths)
    bench.store.register(NAME, host=here.host(), pid=1, version="1", slots=1, memory=1 << 40, disk=1 << 40)
    while bench.store.units(job)[-1].kind is not UnitKind.DELIVER or not ready_to_render(bench, job):
        bench.do(bench.claim(NAME))
    victim = started(cut_off, bench.places.data, NAME, what, str(paths[3]))
    victim.join(60)
    assert victim.exitcode == -signal.SIGBUS
    note_end(bench.places, NAME, victim.exitcode)
    Reconciler(
        store=bench.store, places=bench.places, lease=60.0, alive=lambda _: False, oom_kills=lambda: 0
    ).round()
    lost = [a for a in bench.store.attempts(job) if a.step == "lost"]
    assert [a.cause for a in lost] == ["changed"]
    bench.work_off()
    found = bench.job(job)
    if what == "rows":
        assert found.state is JobState.DONE, "rows are laid out again"
    else:
        assert (found.state, found.cause) == (JobState.FAILED, "changed")
        assert paths[3].name in (found.reason or "")
    dispose(bench.store.database.engine)


def ready_to_render(bench: Bench, job: int) -> bool:
    return any(u.kind is UnitKind.RENDER and u.state is UnitState.READY for u in bench.store.units(job))
