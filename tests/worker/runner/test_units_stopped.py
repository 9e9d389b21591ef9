"""A unit that is to stop does so soon, leaves nothing half made, and can be done again."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import JobState, Store, UnitKind, UnitState
from nearfar.jobs.engine import dispose
from nearfar.runner import holding, units
from nearfar.runner.units import work_on
from tests.acceptance.command import lay
from tests.scenes import Scene
from tests.worker.runner.workbench import ALL, LEASE, Bench, merged, result_of, run_out, same_files


class Event:
    """Does something when the work looks for the n-th time whether it is to stop, then waits until it was told."""

    def __init__(self, at: int, then: Callable[[], object], told: Callable[[], bool]) -> None:
        self.left, self.then, self.told = at, then, told

    def __call__(self) -> bool:
        self.left -= 1
        if self.left == 0:
            self.then()
            end = time.monotonic() + 60
            while not self.told() and time.monotonic() < end:
                time.sleep(0.005)
        return False


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> list[holding.Holding]:
    """Every unit in hand from now on, asked often what is wanted of it."""
    seen: list[holding.Holding] = []

    class Seen(holding.Holding):
        def __init__(self, *arguments: Any) -> None:
            super().__init__(*arguments)
            seen.append(self)

    monkeypatch.setattr(units, "Holding", Seen)
    monkeypatch.setattr(holding, "LISTEN", 0.005)
    return seen


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize("at", [2, 6])
def test_cancelled_in_the_middle_it_leaves_nothing_half_made(
    kind: UnitKind, at: int, bench: Bench, frames: list[Path], watched: list[holding.Holding]
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    cancel = Event(at, lambda: bench.store.cancel(job, who="tester"), lambda: watched[-1].why is not None)
    bench.do(claim, leaving=cancel)
    assert cancel.left <= 0, "it looks often enough"
    assert bench.job(job).state is JobState.CANCELLED
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert unit.state is UnitState.CANCELLED
    assert bench.store.at_rest(job)
    assert bench.parts() == []
    assert not (bench.places.results / "moss").exists()


@pytest.mark.parametrize("kind", ALL)
def test_held_it_is_handed_back_and_goes_on_later(
    kind: UnitKind, bench: Bench, frames: list[Path], watched: list[holding.Holding], tmp_path: Path
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    hold = Event(2, lambda: bench.store.hold(job, who="tester"), lambda: watched[-1].why is not None)
    bench.do(claim, leaving=hold)
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.attempts) == (UnitState.WAITING, 0)
    bench.store.release(job, who="tester")
    bench.work_off()
    assert same_files(result_of(bench, job), merged(frames, tmp_path / "command"))


@pytest.mark.parametrize("kind", ALL)
def test_a_worker_that_is_to_leave_hands_back_uncounted(
    kind: UnitKind, bench: Bench, frames: list[Path]
) -> None:
    job = bench.submit(frames)
    claim = bench.until(kind)
    asked: list[int] = []

    def leaving() -> bool:
        asked.append(1)
        return len(asked) > 3

    bench.do(claim, leaving=leaving)
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.attempts) == (UnitState.READY, 0)
    assert bench.parts() == []
    bench.work_off()
    result_of(bench, job)


@pytest.mark.parametrize("kind", ALL)
def test_a_worker_that_lost_its_unit_keeps_nothing_of_it(
    kind: UnitKind,
    tmp_path: Path,
    small: Scene,
    watched: list[holding.Holding],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is frozen for longer than its lease, while another one does the unit and all that follow."""
    bench = Bench.at(tmp_path / "data", lease=LEASE)
    job = bench.submit(lay(small.frames, bench.places.inbox / "moss", format="jpeg"))
    claim = bench.until(kind)
    others = bench.elsewhere("other")
    frozen: list[holding.Holding] = []

    def freeze() -> None:
        frozen.append(watched[-1])
        run_out(bench.store)
        with monkeypatch.context() as meanwhile:
            for once in ("_listen_once", "_beat_once"):
                meanwhile.setattr(holding.Holding, once, lambda _: time.sleep(0.01))
            while bench.job(job).state is not JobState.DONE:
                while (other := bench.store.claim("w2")) is not None:
                    bench.do(other, others)
                time.sleep(0.05)

    bench.do(claim, leaving=Event(2, freeze, lambda: frozen[0].why is not None))
    steps = [(a.token, str(a.step)) for a in bench.store.attempts(job) if a.unit == claim.unit]
    assert (claim.token, "done") not in steps
    assert sum(step == "done" for _, step in steps) == 1
    assert frozen[0].why is holding.Why.LOST
    assert sorted(p.name for p in bench.places.results.iterdir()) == [".making", "moss"]
    assert bench.parts() == []
    dispose(bench.store.database.engine)


def test_past_its_time_a_unit_fails_with_that_cause(
    bench: Bench, frames: list[Path], watched: list[holding.Holding]
) -> None:
    job = bench.submit(frames)
    claim = bench.claim()
    late = replace(claim, deadline=claim.lease_until - bench.store.database.rules.lease + 0.05)
    bench.do(late, leaving=Event(1, lambda: None, lambda: watched[-1].why is not None))
    (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.cause) == (UnitState.READY, "deadline")
    assert "which is its time" in (unit.reason or "")


@pytest.mark.parametrize("kind", ALL)
def test_work_that_does_not_stop_is_ended_with_its_process_once_its_job_is_cancelled(
    kind: UnitKind,
    bench: Bench,
    frames: list[Path],
    watched: list[holding.Holding],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(holding, "PATIENCE", 0.02)
    job = bench.submit(frames)
    claim = bench.until(kind)
    left: list[tuple[bool, UnitState]] = []

    def end() -> None:
        (unit,) = (u for u in bench.store.units(job) if u.id == claim.unit)
        left.append((bench.store.at_rest(job), unit.state))

    hang = Event(2, lambda: bench.store.cancel(job, who="tester"), lambda: bool(left))
    bench.do(claim, replace(bench.hands, end=end), leaving=hang)
    assert left == [(True, UnitState.CANCELLED)], "before the process ends, the unit is given back"
    assert bench.parts() == []


@pytest.mark.parametrize("kind", [UnitKind.SURVEY, UnitKind.DELIVER])
def test_work_that_is_half_made_is_removed_before_the_process_ends(
    kind: UnitKind,
    bench: Bench,
    frames: list[Path],
    watched: list[holding.Holding],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(holding, "PATIENCE", 0.02)
    job = bench.submit(frames)
    claim = bench.until(kind)
    before: list[Path] = []
    after: list[list[Path]] = []

    def cancel() -> None:
        mark = f"{socket.gethostname()}-{os.getpid()}-u{claim.unit}t{claim.token}-0.part"
        for folder in (bench.places.work, bench.places.scratch):
            before.append(folder / str(job) / f"key.rows.{mark}")
            before[-1].write_bytes(b"half")
        bench.store.cancel(job, who="tester")

    def end() -> None:
        after.append([p for p in before if p.exists()])

    bench.do(claim, replace(bench.hands, end=end), leaving=Event(2, cancel, lambda: bool(after)))
    assert len(before) == 2
    assert after == [[]]


def test_what_is_wanted_is_heard_while_a_sign_of_life_waits_for_its_turn(
    tmp_path: Path, small: Scene, watched: list[holding.Holding], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(holding, "BEATS", int(LEASE / 0.1))
    bench = Bench.at(tmp_path / "data", lease=LEASE)
    job = bench.submit(lay(small.frames, bench.places.inbox / "moss", format="jpeg"))
    blocked, free = threading.Event(), threading.Event()

    class Busy(Away):
        def beat(self, *_: object, **__: object) -> None:
            blocked.set()
            free.wait(60)

    def cancel() -> None:
        assert blocked.wait(60)
        bench.store.cancel(job, who="tester")

    claim = bench.claim()
    heard = Event(2, cancel, lambda: watched[-1].why is not None)
    work_on(Busy(bench.store), claim, bench.hands, leaving=heard)  # type: ignore[arg-type]
    assert not free.is_set()
    assert watched[-1].why is holding.Why.DROPPED
    free.set()
    dispose(bench.store.database.engine)


class Away:
    """A store that does not answer while ``away``."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.away = False

    def __getattr__(self, name: str) -> Any:
        real = getattr(self._store, name)

        def call(*arguments: Any, **named: Any) -> Any:
            if self.away:
                raise StoreUnreachable("the database does not answer")
            return real(*arguments, **named)

        return call if callable(real) and name != "database" else real


def test_a_store_that_is_away_for_a_moment_stops_nothing(
    tmp_path: Path, small: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(holding, "AGAIN", 0.01)
    bench = Bench.at(tmp_path / "data", lease=20.0)
    job = bench.submit(lay(small.frames, bench.places.inbox / "moss", format="jpeg"))
    away = Away(bench.store)
    looks = 0

    def leaving() -> bool:
        nonlocal looks
        looks += 1
        away.away = looks % 5 == 0
        return False

    while (claim := bench.store.claim("w1")) is not None:
        work_on(away, claim, bench.hands, leaving=leaving)  # type: ignore[arg-type]
    assert result_of(bench, job).exists()
    assert all(unit.attempts == 1 for unit in bench.store.units(job))
    dispose(bench.store.database.engine)


def test_a_store_that_stays_away_is_told_to_the_caller(
    tmp_path: Path, small: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(holding, "AGAIN", 0.01)
    monkeypatch.setattr(holding, "LISTEN", 0.01)
    bench = Bench.at(tmp_path / "data", lease=0.3)
    bench.submit(lay(small.frames, bench.places.inbox / "moss", format="jpeg"))
    away = Away(bench.store)
    claim = bench.claim()
    away.away = True
    with pytest.raises(StoreUnreachable):
        work_on(away, claim, bench.hands, leaving=lambda: False)  # type: ignore[arg-type]
    assert bench.parts() == []
    dispose(bench.store.database.engine)


def test_progress_of_every_unit_grows_up_to_one(
    bench: Bench, frames: list[Path], watched: list[holding.Holding]
) -> None:
    bench.submit(frames)
    while (claim := bench.store.claim("w1")) is not None:
        seen: list[float] = []

        def look(seen: list[float] = seen) -> bool:
            seen.append(watched[-1].progress)
            return False

        bench.do(claim, leaving=look)
        assert seen == sorted(seen)
        assert len(set(seen)) >= 2, f"{claim.kind} tells of something on the way"
        assert watched[-1].progress == pytest.approx(1.0)
