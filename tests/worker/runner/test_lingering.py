"""A worker that took part in a job finds its next stage by itself, and stays no longer than there is something to come."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import Claim, Coming, JobState, ServerState, Store, UnitKind
from nearfar.jobs.engine import dispose
from nearfar.places import places_of
from nearfar.runner import lingering
from nearfar.runner.lingering import Lingering
from nearfar.runner.tasks import Lane
from nearfar.server_settings import ServerSettings
from tests.worker.jobs.making import must_claim, one, submit, surveys
from tests.worker.runner.serving import settings_for, store_of, wait_for, wait_for_state


@dataclass
class Doing:
    """Finishes units at once."""

    seen: list[UnitKind] = field(default_factory=list)

    def __call__(self, store: Store, claim: Claim, leaving: Callable[[], bool]) -> None:
        self.seen.append(claim.kind)
        store.finish(claim)


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    made = settings_for(tmp_path / "data", store={"lease": 20.0})
    places_of(made).make()
    return made


@pytest.fixture
def store(settings: ServerSettings) -> Iterator[Store]:
    opened = store_of(settings)
    yield opened
    dispose(opened.database.engine)


@pytest.fixture
def leaving() -> threading.Event:
    return threading.Event()


@pytest.fixture
def lane(settings: ServerSettings, store: Store, leaving: threading.Event) -> Iterator[Lane]:
    """A worker to which no hint comes and that looks for nothing by itself."""
    made = Lane(settings, places_of(settings), Doing(), leaving.is_set)
    made.store = store
    yield made
    leaving.set()
    with made._turn:
        pass


def working(lane: Lane) -> threading.Thread:
    thread = threading.Thread(target=lane.work)
    thread.start()
    return thread


def begun(store: Store, lane: Lane) -> tuple[int, Claim, threading.Thread]:
    """A job of which another worker has one survey, and the lane has done the other."""
    job = submit(store, units=(*surveys(2), one(UnitKind.DELIVER)))
    other = must_claim(store, "other")
    thread = working(lane)
    assert isinstance(lane.perform, Doing)
    wait_for(lambda: lane.perform.seen == [UnitKind.SURVEY])  # type: ignore[attr-defined]
    return job, other, thread


def test_the_next_stage_is_begun_without_any_hint_when_another_worker_opens_it(
    store: Store, lane: Lane
) -> None:
    job, other, thread = begun(store, lane)
    assert thread.is_alive()
    store.finish(other)
    wait_for_state(store, job, JobState.DONE)
    thread.join(60)
    assert not thread.is_alive(), "nothing follows delivery"


def test_work_of_another_job_is_taken_meanwhile(store: Store, lane: Lane) -> None:
    job, other, _ = begun(store, lane)
    second = submit(store, stack="fern", units=(*surveys(1), one(UnitKind.DELIVER)))
    wait_for_state(store, second, JobState.DONE)
    assert store.job(job).state is JobState.RUNNING
    store.finish(other)
    wait_for_state(store, job, JobState.DONE)


def test_a_worker_whose_colleague_was_lost_takes_over(store: Store, lane: Lane) -> None:
    job, other, _ = begun(store, lane)
    store.worker_lost(other.worker, cause="crash", reason="ended by a test", who="tester")
    wait_for_state(store, job, JobState.DONE)
    assert [a.attempts for a in store.units(job) if a.id == other.unit] == [2]


@pytest.mark.parametrize("way", ["hold", "cancel", "drain", "leave"])
def test_it_goes_when_there_is_nothing_to_come(
    store: Store, lane: Lane, way: str, leaving: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lingering, "LONGEST", 600.0)
    job, _, thread = begun(store, lane)
    if way == "hold":
        store.hold(job, who="tester")
    elif way == "cancel":
        store.cancel(job, who="tester")
    elif way == "drain":
        store.set_server_state(ServerState.DRAINING, who="tester")
    else:
        leaving.set()
    thread.join(60)
    assert not thread.is_alive()
    assert [u.worker for u in store.units(job) if u.kind is UnitKind.DELIVER] == [None]


def test_a_store_that_goes_away_meanwhile_is_asked_again_soon(
    store: Store, lane: Lane, monkeypatch: pytest.MonkeyPatch
) -> None:
    job, _, thread = begun(store, lane)

    def away(*_: object, **__: object) -> Coming:
        raise StoreUnreachable("the job store does not answer")

    monkeypatch.setattr(store, "coming", away)
    thread.join(60)
    assert not thread.is_alive()
    assert lane.look_soon
    assert store.job(job).state is JobState.RUNNING


def test_questions_become_rarer_and_end_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    now, asked = [100.0], list[float]()
    clock = SimpleNamespace(
        monotonic=lambda: now[0], sleep=lambda seconds: now.__setitem__(0, now[0] + seconds)
    )
    monkeypatch.setattr(lingering, "time", clock)  # not that of threads that other tests left

    def ask(jobs: Collection[int]) -> Coming:
        asked.append(now[0])
        return Coming.SOON

    staying = Lingering()
    assert not staying.wait(ask, lambda: False)
    assert asked == [], "it took part in nothing"
    staying.worked(7)
    assert not staying.wait(ask, lambda: False)
    pauses = [b - a for a, b in pairwise(asked)]
    assert pauses == sorted(pauses)
    assert max(pauses) <= lingering.SELDOM + 1e-9
    assert lingering.LONGEST <= asked[-1] - 100.0 <= lingering.LONGEST + 2 * lingering.SELDOM
    assert len(asked) < 100
    assert not staying.wait(ask, lambda: False)
    staying.worked(7)
    assert staying.wait(lambda _: Coming.NOW, lambda: False)
