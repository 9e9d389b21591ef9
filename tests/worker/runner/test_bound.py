"""A unit that asks for far more memory than planned fails by itself, and says so."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import DoesNotFit, FrameRefused
from nearfar.jobs import JobState, UnitKind
from nearfar.jobs.engine import dispose
from nearfar.merge.memory import resident
from nearfar.merge.steps import Steps
from nearfar.runner import bound
from nearfar.runner.bound import bounded, limit_of
from tests.acceptance.command import lay
from tests.scenes import render
from tests.worker.runner.workbench import Bench, merged, result_of, same_files

MIB = 1 << 20


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench.at(tmp_path / "data")
    yield made
    dispose(made.store.database.engine)


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    scene = render("occlusion", frames=4, size=(160, 120), seed=7)
    return lay(scene.frames, tmp_path_factory.mktemp("stack") / "moss")


@pytest.fixture(autouse=True)
def roomy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with memory left, whatever else runs on it."""
    (tmp_path / "roomy").write_text("MemAvailable: 1000000000 kB\n", encoding="ascii")
    monkeypatch.setattr(bound, "MEMINFO", tmp_path / "roomy")


@pytest.fixture
def memory() -> int:
    """Enough for a small stack besides what this process has already."""
    return resident() + 512 * MIB


def run_away(*_: object) -> None:
    """Asks for 32 MiB again and again; nothing is written to, so the machine is not harmed."""
    held = [np.empty(32 * MIB, np.uint8) for k in range(1024)]
    held.clear()
    raise AssertionError("32 GiB were given")


def test_what_asks_for_far_more_than_planned_is_stopped_and_the_limit_ends_with_it() -> None:
    before = resource.getrlimit(resource.RLIMIT_DATA)
    told = r"more memory was asked for than .* planned to take 64 MiB"
    with pytest.raises(DoesNotFit, match=told) as raised, bounded(64 * MIB, 2):
        run_away()
    assert raised.value.need == 128 * MIB
    assert isinstance(raised.value.__cause__, MemoryError)
    assert resource.getrlimit(resource.RLIMIT_DATA) == before


def test_what_keeps_to_the_plan_is_let_be() -> None:
    with bounded(64 * MIB, 2):
        assert np.ones(64 * MIB, np.uint8).all()


def test_a_decoder_that_has_no_memory_does_not_make_its_frame_a_bad_one() -> None:
    def decode() -> None:
        try:
            run_away()
        except MemoryError as error:
            raise FrameRefused(Path("F1.tif"), found="x", expected="y", remedy="z") from error

    with pytest.raises(DoesNotFit), bounded(64 * MIB, 2):
        decode()


def test_where_the_machine_itself_is_short_the_unit_is_not_to_blame(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "meminfo").write_text("MemTotal: 1000 kB\nMemAvailable: 10 kB\n")
    monkeypatch.setattr(bound, "MEMINFO", tmp_path / "meminfo")
    with pytest.raises(MemoryError), bounded(64 * MIB, 2):
        run_away()


def test_a_unit_that_runs_away_brings_its_job_down_with_the_cause_room_and_the_next_job_is_done(
    bench: Bench, frames: list[Path], memory: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hands = replace(bench.hands, memory=memory)
    wanted = merged(frames, tmp_path / "command")
    bad = bench.submit(frames, "bad")
    with monkeypatch.context() as now:
        now.setattr(Steps, "focus", run_away)
        bench.work_off(hands)
    job = bench.job(bad)
    assert (job.state, job.cause) == (JobState.FAILED, "room")
    assert "more memory was asked for than" in (job.reason or "")
    assert "worker" in (job.reason or "")
    good = bench.submit(frames, "good")
    bench.work_off(hands)
    assert same_files(result_of(bench, good), wanted)


def test_where_another_worker_has_room_the_unit_goes_there(
    bench: Bench, frames: list[Path], memory: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    hands = replace(bench.hands, memory=memory)
    bench.store.register("large", host="h", pid=1, version="1", slots=1, memory=4 * memory, disk=1 << 40)
    bench.submit(frames)
    claim = bench.until(UnitKind.FOCUS, hands)
    with monkeypatch.context() as now:
        now.setattr(Steps, "focus", run_away)
        bench.do(claim, hands)
    (unit,) = [u for u in bench.store.units(claim.job) if u.kind is UnitKind.FOCUS]
    assert (unit.cause, unit.memory) == ("room", 2 * memory)
    assert bench.store.claim("w1", memory=memory) is None
    assert limit_of(memory, 1) > memory
