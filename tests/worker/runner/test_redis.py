"""Workers with Redis as the broker: emptied, frozen, ended, or there only later, it holds nothing up for long."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nearfar.jobs import AttemptStep, JobState, Store
from nearfar.jobs.engine import dispose
from nearfar.server_settings import ServerSettings
from tests.worker.jobs.making import submit
from tests.worker.runner.redis_server import RedisServer
from tests.worker.runner.serving import (
    Server,
    serving,
    settings_for,
    store_of,
    wait_for,
    wait_for_state,
    wait_for_workers,
)
from tests.worker.runner.test_work import steps, units


@pytest.fixture
def settings(tmp_path: Path, redis: RedisServer) -> ServerSettings:
    return settings_for(tmp_path / "data", broker={"url": redis.url}, store={"lease": 20.0})


@pytest.fixture
def server(settings: ServerSettings) -> Iterator[Server]:
    with serving(settings) as running:
        yield running


@pytest.fixture
def store(settings: ServerSettings, server: Server) -> Iterator[Store]:
    opened = store_of(settings)
    wait_for_workers(opened, 2)
    yield opened
    dispose(opened.database.engine)


def done_once(store: Store, job: int, units_: int) -> bool:
    return steps(store, job)[AttemptStep.DONE] == units_


def test_hints_reach_workers_by_redis_and_after_it_was_emptied(
    store: Store, redis: RedisServer, server: Server
) -> None:
    for k in range(3):
        job = submit(store, stack=f"moss {k}", units=units(3, seconds=0.2))
        redis.empty()
        wait_for_state(store, job, JobState.DONE)
        assert done_once(store, job, 4)
    server.stop()
    assert server.process is not None
    assert server.process.returncode == 0


def test_work_goes_on_while_redis_is_frozen_and_after(
    store: Store, redis: RedisServer, server: Server
) -> None:
    wait_for_state(store, submit(store, units=units()), JobState.DONE)
    redis.freeze()
    frozen = submit(store, stack="while it is frozen", units=units(2))
    wait_for_state(store, frozen, JobState.DONE, seconds=90)
    redis.thaw()
    wait_for_state(store, submit(store, stack="after", units=units()), JobState.DONE)
    redis.freeze()
    long = submit(store, stack="long", units=units(2, seconds=60.0))
    wait_for(lambda: store.figures().units_held > 0, 90)
    server.stop()
    assert store.workers(alive=True) == ()
    assert all(unit.attempts == 0 for unit in store.units(long))


def test_work_goes_on_while_redis_is_away_from_the_start(tmp_path: Path, redis: RedisServer) -> None:
    redis.end()
    settings = settings_for(tmp_path / "data", broker={"url": redis.url})
    with serving(settings) as server:
        store = store_of(settings)
        wait_for_workers(store, 2)
        early = submit(store, units=units(2))
        wait_for_state(store, early, JobState.DONE, seconds=90)
        assert done_once(store, early, 3)
        # Not where workers were quicker than the hint.
        noticed = "the broker does not answer" in server.text()
        redis.start()
        wait_for(lambda: not noticed or "the broker answers again" in server.text(), 120)
        wait_for_state(store, submit(store, stack="later", units=units()), JobState.DONE)
        assert server.stop() >= 0
        assert server.process is not None
        assert server.process.returncode == 0
        dispose(store.database.engine)
