"""The store and the world are brought together: dead workers, leases that ran out, units that fit nobody."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from nearfar.jobs import AttemptStep, JobState, Rules, Store, UnitState, WorkerState
from nearfar.jobs.engine import Database
from nearfar.places import Places
from nearfar.runner.processes import here
from nearfar.runner.reconcile import Reconciler
from nearfar.runner.work import note_end
from tests.worker.jobs.making import Clock, must_claim, submit, surveys

GIB = 1 << 30
NAME = f"{here.host()}/77-5"


@dataclass
class World:
    """What the kernel would say."""

    clock: Clock = field(default_factory=Clock)
    dead: set[str] = field(default_factory=set)
    kills: int = 4

    def alive(self, worker: str) -> bool | None:
        return None if worker.startswith("elsewhere/") else worker not in self.dead


@pytest.fixture
def world() -> World:
    return World()


@pytest.fixture
def timed(store: Store, world: World) -> Store:
    """The store with the world's clock."""
    return Store(Database(store.database.engine, rules=Rules(retry_after=0.0), clock=world.clock))


@pytest.fixture
def reconciler(timed: Store, places: Places, world: World) -> Reconciler:
    return Reconciler(
        store=timed,
        places=places,
        lease=60.0,
        clock=world.clock,
        wall=world.clock,
        alive=world.alive,
        oom_kills=lambda: world.kills,
        memory=lambda: 8 * GIB,
    )


@pytest.fixture
def add(timed: Store) -> Callable[..., str]:
    def make(name: str = NAME, **changes: Any) -> str:
        values: dict[str, Any] = {"host": "bench", "pid": 77, "version": "1", "slots": 1, "memory": GIB}
        timed.register(name, **values | {"disk": GIB} | changes)
        return name

    return make


def test_a_mapped_file_that_was_cut_off_is_told_in_words(
    timed: Store, places: Places, world: World, reconciler: Reconciler, add: Callable[..., str]
) -> None:
    name = add()
    job = submit(timed)
    must_claim(timed, name)
    note_end(places, name, -signal.SIGBUS)
    world.dead.add(name)
    reconciler.round()
    step, cause, reason = last(timed, job)
    assert (step, cause) == (AttemptStep.LOST, "changed")
    assert "became shorter or its disk went away" in reason


def last(store: Store, job: int) -> tuple[AttemptStep, str | None, str]:
    line = store.attempts(job)[-1]
    return line.step, line.cause, str(line.reason)


def test_a_worker_that_lives_keeps_its_unit(
    timed: Store, reconciler: Reconciler, add: Callable[..., str]
) -> None:
    submit(timed)
    claim = must_claim(timed, add())
    for _ in range(3):
        reconciler.round()
    assert timed.held_by(claim.worker)[0].id == claim.unit


def test_a_dead_worker_s_unit_is_free_again_with_the_signal_that_ended_it(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World, places: Places
) -> None:
    job = submit(timed)
    worker = must_claim(timed, add()).worker
    world.dead.add(worker)
    note_end(places, NAME, -signal.SIGSEGV)
    reconciler.round()
    step, cause, reason = last(timed, job)
    assert (step, cause) == (AttemptStep.LOST, "crash")
    assert "SIGSEGV" in reason
    assert timed.workers()[0].state is WorkerState.LOST
    assert {unit.state for unit in timed.units(job)} <= {UnitState.READY, UnitState.WAITING}


def test_of_a_process_that_its_parent_has_not_buried_yet_the_kernel_tells_how_it_ended(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World
) -> None:
    """A parent that the machine gives no time to may be later than two rounds."""
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    job = submit(timed)
    worker = must_claim(timed, add(here.worker_name(process.pid))).worker
    assert here.end_code(worker) is None
    process.kill()
    os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
    assert here.end_code(worker) == -signal.SIGKILL
    assert here.end_code(worker + "1") is None
    world.dead.add(worker)
    reconciler.round()
    step, cause, reason = last(timed, job)
    assert (step, cause) == (AttemptStep.LOST, "crash")
    assert "SIGKILL" in reason
    process.communicate()
    assert here.end_code(worker) is None


def test_where_nobody_knows_yet_how_it_ended_a_round_is_waited(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World
) -> None:
    job = submit(timed)
    world.dead.add(must_claim(timed, add()).worker)
    reconciler.round()
    assert last(timed, job)[0] is AttemptStep.STARTED
    reconciler.round()
    step, cause, reason = last(timed, job)
    assert (step, cause) == (AttemptStep.LOST, "crash")
    assert "is gone" in reason


def test_the_end_of_an_earlier_process_of_that_number_counts_for_nothing(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World, places: Places
) -> None:
    note_end(places, f"{here.host()}/77-4", -signal.SIGILL)
    job = submit(timed)
    world.dead.add(must_claim(timed, add()).worker)
    reconciler.round()
    reconciler.round()
    assert "SIGILL" not in last(timed, job)[2]


@pytest.mark.parametrize(("code", "cause"), [(-signal.SIGKILL, "memory"), (-signal.SIGSEGV, "crash")])
def test_a_worker_killed_while_the_count_of_memory_kills_rose_was_killed_for_memory(
    timed: Store,
    reconciler: Reconciler,
    add: Callable[..., str],
    world: World,
    places: Places,
    code: int,
    cause: str,
) -> None:
    job = submit(timed, units=surveys(1, memory=3 * GIB // 4))
    reconciler.round()
    world.dead.add(must_claim(timed, add()).worker)
    world.kills += 1
    note_end(places, NAME, code)
    reconciler.round()
    _, told, reason = last(timed, job)
    assert told == cause
    if cause == "memory":
        for part in ("survey was planned to take 768 MiB", "may take 1 GiB", "the machine has 8 GiB"):
            assert part in reason


def test_a_rise_that_is_seen_before_the_end_is_known_is_not_forgotten(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World
) -> None:
    job = submit(timed)
    reconciler.round()
    world.dead.add(must_claim(timed, add()).worker)
    world.kills += 1
    reconciler.round()
    reconciler.round()
    assert last(timed, job)[1] == "memory"


def test_a_count_that_rose_before_this_process_began_says_nothing(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World, places: Places
) -> None:
    job = submit(timed)
    world.dead.add(must_claim(timed, add()).worker)
    note_end(places, NAME, -signal.SIGKILL)
    reconciler.round()
    assert last(timed, job)[1] == "crash"


def test_workers_of_other_hosts_are_left_to_their_leases(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World
) -> None:
    job = submit(timed)
    must_claim(timed, add("elsewhere/77-5"))
    for _ in range(7):
        world.clock.forward(10)
        reconciler.round()
    assert last(timed, job)[:2] == (AttemptStep.LOST, "lost")


def test_after_three_deaths_the_job_fails_with_the_cause(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World, places: Places
) -> None:
    job = submit(timed, units=surveys(1))
    for k in range(3):
        worker = must_claim(timed, add(f"{here.host()}/77-{k}")).worker
        world.dead.add(worker)
        note_end(places, worker, -signal.SIGABRT)
        reconciler.round()
    assert timed.job(job).state is JobState.FAILED
    assert timed.job(job).cause == "crash"
    assert "SIGABRT" in str(timed.job(job).reason)


def test_after_a_sleep_of_the_machine_workers_are_given_time_for_a_sign_of_life(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World
) -> None:
    submit(timed)
    claim = must_claim(timed, add())
    reconciler.round()
    world.clock.forward(600)
    reconciler.round()
    assert timed.held_by(claim.worker)
    timed.beat(claim, progress=0.1)
    timed.worker_beat(claim.worker, memory=GIB, disk=GIB)
    for _ in range(5):
        world.clock.forward(5)
        reconciler.round()
    assert timed.held_by(claim.worker)
    assert timed.workers(alive=True)


def test_a_sleep_ends_no_watch_over_those_that_never_wake(
    timed: Store, reconciler: Reconciler, add: Callable[..., str], world: World
) -> None:
    job = submit(timed)
    must_claim(timed, add())
    reconciler.round()
    world.clock.forward(600)
    for _ in range(6):
        reconciler.round()
        world.clock.forward(5)
    assert last(timed, job)[0] is AttemptStep.LOST


def test_units_too_large_for_anyone_are_told_of_once(
    timed: Store,
    reconciler: Reconciler,
    add: Callable[..., str],
    caplog: pytest.LogCaptureFixture,
    world: World,
) -> None:
    job = submit(timed, units=surveys(1, memory=5 * GIB))
    add()
    with caplog.at_level(logging.WARNING):
        for _ in range(3):
            reconciler.round()
            world.clock.forward(11)
            timed.worker_beat(NAME, memory=GIB, disk=GIB)
    told = [record for record in caplog.records if getattr(record, "action", "") == "unit.too-large"]
    assert [getattr(record, "job", None) for record in told] == [job]
    assert "5 GiB" in told[0].getMessage()


# What the kernel says


def test_a_process_is_known_by_number_and_start() -> None:
    name = here.worker_name()
    assert here.alive(name) is True
    assert here.alive(name + "1") is False
    assert here.alive("another-host/1-1") is None
    assert here.alive("nonsense") is None


def test_a_process_that_is_dead_but_not_buried_is_dead() -> None:
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    name = here.worker_name(process.pid)
    assert here.alive(name) is True
    process.kill()
    os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)  # it is a zombie now
    assert here.alive(name) is False
    process.communicate()
    assert here.alive(name) is False


def test_the_start_of_a_process_is_that_of_another_library() -> None:
    """Against psutil, which reads the same clock: create_time is boot time plus ticks by the second."""
    import psutil

    ticks = here.started(os.getpid())
    assert ticks is not None
    found = psutil.boot_time() + ticks / os.sysconf("SC_CLK_TCK")
    assert abs(found - psutil.Process().create_time()) < 2


def test_counts_of_memory_kills_are_read_as_the_kernel_writes_them(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names of the lines: proc_vmstat(5), and memory.events in the kernel's cgroup-v2 documentation."""
    (tmp_path / "vmstat").write_text("nr_free_pages 12\noom_kill 3\nthp_fault_alloc 1\n")
    (tmp_path / "group").mkdir()
    (tmp_path / "group" / "memory.events").write_text("low 0\nhigh 2\nmax 9\noom 6\noom_kill 5\n")
    monkeypatch.setattr(here, "PROC", tmp_path)
    monkeypatch.setattr(here, "cgroup", lambda: tmp_path / "group")
    assert here.oom_kills() == 5
    (tmp_path / "group" / "memory.events").unlink()
    assert here.oom_kills() == 3
    (tmp_path / "vmstat").unlink()
    assert here.oom_kills() == 0


@pytest.mark.parametrize(
    ("code", "text"), [(3, "exit code 3"), (-9, "signal 9 (SIGKILL)"), (-200, "signal 200")]
)
def test_an_exit_code_is_told_in_words(code: int, text: str) -> None:
    assert here.signal_name(code) == text
