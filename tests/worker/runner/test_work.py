"""Workers as processes: they take what there is, are replaced when they die, and leave in good order."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import (
    AttemptStep,
    Claim,
    JobState,
    ServerState,
    Store,
    UnitKind,
    UnitPlan,
    UnitState,
    WorkerState,
)
from nearfar.jobs.engine import dispose
from nearfar.places import Places, places_of
from nearfar.runner import disk, frozen, tasks
from nearfar.runner.app import make_app
from nearfar.runner.failures import failure_of
from nearfar.runner.hints import connect
from nearfar.runner.processes import here
from nearfar.runner.tasks import Lane
from nearfar.server_settings import ServerSettings
from tests.worker.jobs.making import one, submit, surveys
from tests.worker.runner.serving import (
    Server,
    serving,
    settings_for,
    store_of,
    wait_for,
    wait_for_state,
    wait_for_workers,
)


def units(count: int = 2, **detail: object) -> tuple[UnitPlan, ...]:
    return (*surveys(count, detail=detail, limit=60.0), one(UnitKind.DELIVER))


def steps(store: Store, job: int) -> Counter[AttemptStep]:
    return Counter(line.step for line in store.attempts(job))


def held(store: Store, job: int) -> bool:
    return any(unit.state is UnitState.HELD for unit in store.units(job))


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> ServerSettings:
    return settings_for(tmp_path_factory.mktemp("work") / "data", store={"lease": 20.0})


@pytest.fixture(scope="module")
def server(settings: ServerSettings) -> Iterator[Server]:
    with serving(settings) as running:
        yield running


@pytest.fixture
def store(settings: ServerSettings, server: Server) -> Iterator[Store]:
    opened = store_of(settings)
    wait_for_workers(opened, 2)
    yield opened
    dispose(opened.database.engine)


def test_jobs_are_worked_off_and_each_unit_once(store: Store) -> None:
    jobs = [submit(store, stack=f"moss {k}", units=units(3)) for k in range(4)]
    for job in jobs:
        wait_for_state(store, job, JobState.DONE)
        assert steps(store, job) == {AttemptStep.STARTED: 4, AttemptStep.DONE: 4}


def test_every_process_of_the_pool_is_a_worker_of_its_own(store: Store, server: Server) -> None:
    pool = {pid for pid, name in server.processes().items() if name == "pool"}
    alive = [worker for worker in store.workers(alive=True) if here.alive(worker.id)]
    assert {worker.pid for worker in alive} == pool
    assert all(worker.slots == 1 and worker.host == here.host() for worker in alive)
    assert all(worker.memory == server.settings.worker.slot_memory for worker in alive)
    assert all(worker.disk > 0 for worker in alive)


def test_a_unit_whose_worker_is_killed_is_done_by_another_and_the_signal_is_told(store: Store) -> None:
    job = submit(store, units=units(1, seconds=1.0))
    wait_for(lambda: held(store, job))
    worker = next(unit.worker for unit in store.units(job) if unit.state is UnitState.HELD)
    os.kill(int(str(worker).rpartition("/")[2].partition("-")[0]), signal.SIGKILL)
    wait_for_state(store, job, JobState.DONE)
    lost = [line for line in store.attempts(job) if line.step is AttemptStep.LOST]
    assert [line.cause for line in lost] == ["crash"]
    assert "SIGKILL" in str(lost[0].reason)
    states = {each.id: each.state for each in store.workers()}
    assert states[str(worker)] is WorkerState.LOST
    wait_for_workers(store, 2)


@pytest.mark.parametrize("name", ["SIGKILL", "SIGSEGV"])
def test_a_job_that_kills_its_workers_ends_failed_with_the_cause_and_others_go_on(
    store: Store, name: str
) -> None:
    poison = submit(store, stack="poison", units=units(1, dies=name))
    good = [submit(store, stack=f"good {k}", units=units(2, seconds=0.3)) for k in range(3)]
    wait_for_state(store, poison, JobState.FAILED, seconds=90)
    failed = store.job(poison)
    assert failed.cause == "crash"
    assert name in str(failed.reason)
    assert "3 times" in str(failed.reason)
    assert steps(store, poison) == {AttemptStep.STARTED: 3, AttemptStep.LOST: 3}
    for job in good:
        wait_for_state(store, job, JobState.DONE)


def test_a_frozen_worker_loses_its_unit_and_finds_others_when_it_wakes(tmp_path: Path) -> None:
    settings = settings_for(tmp_path / "data", store={"lease": 1.5, "attempts": 5})
    with serving(settings):
        store = store_of(settings)
        wait_for_workers(store, 2)
        job = submit(store, units=units(1, seconds=1.0))
        wait_for(lambda: held(store, job))
        worker = next(unit.worker for unit in store.units(job) if unit.state is UnitState.HELD)
        pid = int(str(worker).rpartition("/")[2].partition("-")[0])
        wait_for(lambda: frozen_without_the_lock(pid, settings))
        wait_for_state(store, job, JobState.DONE)
        wait_for(lambda: str(worker) not in {each.id for each in store.workers(alive=True)})
        os.kill(pid, signal.SIGCONT)
        wait_for(lambda: str(worker) in {each.id for each in store.workers(alive=True)})
        assert steps(store, job)[AttemptStep.DONE] == 2
        dispose(store.database.engine)


def frozen_without_the_lock(pid: int, settings: ServerSettings) -> bool:
    """Freeze a process; let it go on if that was in the middle of a write to the store."""
    os.kill(pid, signal.SIGSTOP)
    wait_for(lambda: here.stopped(pid))
    if frozen.writer(settings.server.data / "store.sqlite") != pid:
        return True
    os.kill(pid, signal.SIGCONT)
    return False


def test_a_worker_that_is_frozen_in_a_write_to_the_store_is_ended_and_the_others_go_on(
    tmp_path: Path,
) -> None:
    settings = settings_for(tmp_path / "data")
    with serving(settings) as server:
        store = store_of(settings)
        wait_for_workers(store, 2)
        job = submit(store, units=units(1, freezes=True))
        wait_for_state(store, job, JobState.DONE, seconds=120)  # the server itself waits for 10
        assert steps(store, job) == {AttemptStep.STARTED: 3, AttemptStep.LOST: 1, AttemptStep.DONE: 2}
        assert "stopped in the middle of a write" in server.text()
        wait_for_workers(store, 2)
        dispose(store.database.engine)


@pytest.mark.parametrize("stubborn", [False, True], ids=["willing", "stubborn"])
def test_a_stop_hands_units_back_uncounted_and_leaves_nobody_and_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stubborn: bool
) -> None:
    settings = settings_for(tmp_path / "data")
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    with serving(settings) as server:
        store = store_of(settings)
        wait_for_workers(store, 2)
        job = submit(store, units=units(4, seconds=60.0, stubborn=stubborn))
        wait_for(lambda: store.figures().units_held == 2)
        pids = list(server.processes())
        server.stop()
        assert server.process is not None
        assert server.process.returncode == 0
        assert [pid for pid in pids if here.started(pid)] == []
        assert steps(store, job) == {AttemptStep.STARTED: 2, AttemptStep.HANDED_BACK: 2}
        assert all(unit.attempts == 0 and unit.state is not UnitState.HELD for unit in store.units(job))
        assert store.workers(alive=True) == ()
        assert list(temporary.iterdir()) == []
        dispose(store.database.engine)


def test_the_pool_dies_with_its_parent_and_comes_back(server: Server, store: Store) -> None:
    before = server.processes()
    parent = next(pid for pid, name in before.items() if name == "work")
    os.kill(parent, signal.SIGKILL)
    pool = [pid for pid, name in before.items() if name == "pool"]
    wait_for(lambda: not any(here.started(pid) for pid in pool), what="the pool is gone")
    wait_for_state(store, submit(store, units=units()), JobState.DONE)
    assert parent not in server.processes()


# One lane without processes


@pytest.fixture
def quiet(tmp_path: Path) -> ServerSettings:
    settings = settings_for(tmp_path / "quiet", store={"lease": 9.0, "attempts": 1})
    places_of(settings).make()
    return settings


class Doing:
    """Finishes units at once, or does what it is told."""

    def __init__(self) -> None:
        self.seen: list[Claim] = []
        self.instead: Callable[[Store, Claim], None] | None = None

    def __call__(self, store: Store, claim: Claim, leaving: Callable[[], bool]) -> None:
        self.seen.append(claim)
        if self.instead is not None:
            self.instead(store, claim)
        else:
            store.finish(claim)


@pytest.fixture
def lane(quiet: ServerSettings, monkeypatch: pytest.MonkeyPatch) -> Iterator[Lane]:
    monkeypatch.setattr(tasks, "LOOK", 0.2)
    stop = threading.Event()
    made = Lane(quiet, places_of(quiet), Doing(), stop.is_set)
    looking = threading.Thread(target=made._look)
    looking.start()
    wait_for(lambda: made.store is not None)
    yield made
    stop.set()
    looking.join(60)
    assert made.store is not None
    dispose(made.store.database.engine)


def test_work_is_found_without_any_hint(lane: Lane) -> None:
    assert lane.store is not None
    job = submit(lane.store)
    wait_for_state(lane.store, job, JobState.DONE)


def test_who_takes_a_unit_wakes_others_for_the_rest(quiet: ServerSettings, lane: Lane) -> None:
    """Nobody else publishes hints here; a second worker that is free is on record, and nothing comes of its own."""
    assert lane.store is not None
    assert isinstance(lane.perform, Doing)
    places = places_of(quiet)
    lane.store.register("idle", host="h", pid=1, version="1", slots=1, memory=1 << 40, disk=1 << 50)
    go_on = threading.Event()

    def wait(store: Store, claim: Claim) -> None:
        go_on.wait(60)
        store.finish(claim)

    lane.perform.instead = wait
    submit(lane.store, units=(*surveys(2), one(UnitKind.DELIVER)))
    wait_for(lambda: list(places.hints.glob("*.msg")), what="a hint for the second unit")
    go_on.set()


def test_a_paused_server_gives_out_nothing_until_it_is_open_again(lane: Lane) -> None:
    assert lane.store is not None
    lane.store.set_server_state(ServerState.PAUSED, who="tester")
    job = submit(lane.store)
    assert lane.work() == 0
    lane.store.set_server_state(ServerState.OPEN, who="tester")
    wait_for_state(lane.store, job, JobState.DONE)


def test_a_worker_that_was_forgotten_registers_again(lane: Lane) -> None:
    assert lane.store is not None
    wait_for_workers(lane.store, 1)
    with lane.store.database.engine.begin() as conn:
        conn.exec_driver_sql("DELETE FROM workers")
    wait_for_workers(lane.store, 1)


def test_a_mistake_in_a_unit_ends_no_worker_and_is_put_on_record(lane: Lane) -> None:
    assert lane.store is not None
    assert isinstance(lane.perform, Doing)

    def fall(store: Store, claim: Claim) -> None:
        raise ZeroDivisionError

    lane.perform.instead = fall
    job = submit(lane.store, units=(*surveys(1), one(UnitKind.DELIVER)))
    wait_for_state(lane.store, job, JobState.FAILED)
    assert lane.store.job(job).cause == "mistake"
    lane.perform.instead = None
    wait_for_state(lane.store, submit(lane.store), JobState.DONE)


def test_a_system_that_gives_no_thread_is_no_mistake_and_what_to_do_is_told(lane: Lane) -> None:
    """As under a limit of a container on processes: every job failed with 'a mistake in Nearfar; see the log'."""
    assert lane.store is not None
    assert isinstance(lane.perform, Doing)

    def begin(store: Store, claim: Claim) -> None:
        raise RuntimeError("can't start new thread")

    lane.perform.instead = begin
    job = submit(lane.store, units=(*surveys(1), one(UnitKind.DELIVER)))
    wait_for_state(lane.store, job, JobState.FAILED)
    failed = lane.store.job(job)
    assert failed.cause == "memory"
    assert "the system gave no further thread" in (failed.reason or "")
    assert "raise that limit" in (failed.reason or "")
    assert failure_of(RuntimeError("can't start new thread")).cause == "memory"
    assert failure_of(RuntimeError("something else")).cause == "mistake"


def test_a_store_that_stays_away_is_asked_again_soon(lane: Lane) -> None:
    assert lane.store is not None
    assert isinstance(lane.perform, Doing)

    def away(store: Store, claim: Claim) -> None:
        raise StoreUnreachable("the job store does not answer")

    lane.perform.instead = away
    submit(lane.store, units=(*surveys(1), one(UnitKind.DELIVER)))
    wait_for(lambda: len(lane.perform.seen) >= 1)  # type: ignore[attr-defined]
    wait_for(lambda: lane.look_soon)
    lane.perform.instead = None
    lane.leave()
    assert lane.store.workers()[0].state is WorkerState.GONE


def test_a_unit_that_hangs_past_its_time_ends_its_worker(
    quiet: ServerSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    lane = Lane(quiet, places_of(quiet), Doing(), lambda: False)
    store = store_of(quiet)
    submit(store, units=(*surveys(1, limit=5.0), one(UnitKind.DELIVER)))
    claim = store.claim("w1")
    assert claim is not None
    codes: list[int] = []
    monkeypatch.setattr(os, "_exit", codes.append)
    lane.claim, lane._began = claim, time.monotonic() - 5.0 - tasks.OVERDUE + 1.0
    lane._end_hang()
    assert codes == []
    lane._began -= 2.0
    lane._end_hang()
    assert codes == [os.EX_SOFTWARE]
    dispose(store.database.engine)


def test_a_worker_tells_of_the_space_that_is_left_to_it(quiet: ServerSettings) -> None:
    places: Places = places_of(quiet)
    worker = quiet.worker.model_copy(update={"spare_disk": 1 << 60})
    full = Lane(quiet.model_copy(update={"worker": worker}), places, Doing(), lambda: False)
    assert full._room() == (quiet.worker.slot_memory, 0)
    assert Lane(quiet, replace(places), Doing(), lambda: False)._room()[1] > 0


def test_a_store_that_cannot_be_used_as_it_is_ends_the_worker_after_a_rest(
    quiet: ServerSettings, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    store = quiet.store.model_copy(update={"url": "mysql://somewhere/else"})
    lane = Lane(quiet.model_copy(update={"store": store}), places_of(quiet), Doing(), lambda: False)
    lane.places = replace(lane.places, store_url="mysql://somewhere/else")

    def leave(code: int) -> None:
        raise SystemExit(code)

    monkeypatch.setattr(tasks, "UNUSABLE", 0.0)
    monkeypatch.setattr(os, "_exit", leave)
    with pytest.raises(SystemExit) as ended:
        lane._look()
    assert ended.value.code == os.EX_CONFIG
    assert "mysql is not supported" in caplog.text


def test_a_disk_that_does_not_answer_leaves_no_room_and_ends_nobody(
    quiet: ServerSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stale(folder: Path) -> int:
        raise OSError(116, "Stale file handle")

    monkeypatch.setattr(disk, "free_bytes", stale)
    assert Lane(quiet, places_of(quiet), Doing(), lambda: False)._room() == (quiet.worker.slot_memory, 0)


def test_leaving_hands_back_what_is_at_work_even_where_another_has_it_by_now(quiet: ServerSettings) -> None:
    lane = Lane(quiet, places_of(quiet), Doing(), lambda: False)
    lane.store = store_of(quiet)
    lane._register(lane.store)
    job = submit(lane.store, units=(*surveys(1), one(UnitKind.DELIVER)))
    lane.claim = lane.store.claim(lane.name)
    lane.leave()
    assert lane.store.units(job)[0].attempts == 0
    lane.leave()
    assert lane.store.workers()[0].state is WorkerState.GONE
    dispose(lane.store.database.engine)


def test_messages_that_are_no_hints_are_passed_over_and_counted(
    store: Store, server: Server, settings: ServerSettings
) -> None:
    """Those of another program at the same broker, and those that are no messages at all."""
    (server.places.hints / "0_0.hints.msg").write_text("no message", encoding="utf-8")
    app = make_app(settings, server.places)
    with connect(app) as connection, app.amqp.Producer(connection.default_channel) as producer:
        app.send_task("somebody.elses", producer=producer, retry=False, ignore_result=True)
    job = submit(store, units=units(1))
    wait_for_state(store, job, JobState.DONE)
    wait_for(lambda: store.figures().counted.get("hints_ignored") == 2.0)
    assert all(unit.attempts == 1 for unit in store.units(job))
