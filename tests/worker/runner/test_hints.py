"""Hints: as many as can be used, at once, and without anybody waiting for a broker."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from nearfar.jobs import Store
from nearfar.jobs.engine import dispose
from nearfar.places import Places, places_of
from nearfar.runner import hints
from nearfar.runner.app import make_app
from nearfar.runner.hints import Hinter, connect, waiting
from nearfar.runner.probe import broker_problem, store_problem
from nearfar.server_settings import ServerSettings
from tests.worker.jobs.making import must_claim, submit, surveys
from tests.worker.runner.redis_server import RedisServer
from tests.worker.runner.serving import settings_for, store_of, wait_for

MIB = 1 << 20


def add_workers(store: Store, count: int, memory: int = 100 * MIB) -> None:
    for k in range(count):
        store.register(f"bench/{k}-1", host="bench", pid=k, version="1", slots=1, memory=memory, disk=MIB)


def count(settings: ServerSettings) -> int:
    with connect(make_app(settings, places_of(settings))) as connection:
        return waiting(connection)


@pytest.fixture
def hinter(settings: ServerSettings, places: Places, store: Store) -> Iterator[Hinter]:
    made = Hinter(settings, places, store, every=60.0)
    yield made
    made.stop()


@pytest.mark.parametrize(("units", "workers", "hints"), [(5, 2, 2), (1, 3, 1), (0, 2, 0), (3, 0, 0)])
def test_there_are_as_many_hints_as_units_and_free_workers(
    hinter: Hinter, settings: ServerSettings, store: Store, units: int, workers: int, hints: int
) -> None:
    add_workers(store, workers)
    if units:
        submit(store, units=(*surveys(units),))
    assert hinter.publish() == hints
    assert count(settings) == hints
    assert hinter.publish() == 0, "those that wait are enough"


def test_hints_that_were_lost_are_published_again(
    hinter: Hinter, places: Places, settings: ServerSettings, store: Store
) -> None:
    add_workers(store, 2)
    submit(store)
    assert hinter.publish() == 2
    for message in places.hints.glob("*.msg"):
        message.unlink()
    assert hinter.publish() == 2


def test_workers_that_are_busy_are_not_woken(hinter: Hinter, store: Store) -> None:
    add_workers(store, 2)
    submit(store, units=surveys(4))
    must_claim(store, "bench/0-1")
    assert hinter.publish() == 1


def test_units_that_fit_no_worker_wake_nobody(hinter: Hinter, store: Store) -> None:
    add_workers(store, 2)
    submit(store, units=surveys(2, memory=200 * MIB))
    assert hinter.publish() == 0


def test_a_kick_publishes_at_once(hinter: Hinter, settings: ServerSettings, store: Store) -> None:
    add_workers(store, 1)
    hinter.start()
    submit(store)
    hinter.kick()
    wait_for(lambda: count(settings) == 1)
    assert hinter.broker is None


def test_a_job_store_that_is_gone_does_not_end_the_thread(
    settings: ServerSettings, places: Places, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, "nearfar.runner.hints")
    hinter = Hinter(settings, places, store, every=0.05)
    hinter.start()
    add_workers(store, 1)
    with store.database.engine.begin() as conn:
        conn.exec_driver_sql("ALTER TABLE units RENAME TO elsewhere")
    wait_for(lambda: "hint.store-away" in {getattr(r, "action", None) for r in caplog.records})
    with store.database.engine.begin() as conn:
        conn.exec_driver_sql("ALTER TABLE elsewhere RENAME TO units")
    submit(store)
    wait_for(lambda: count(settings) == 1)
    assert hinter.broker is None
    hinter.stop()


def with_redis(tmp_path: Path, url: str) -> ServerSettings:
    settings = settings_for(tmp_path / "data", broker={"url": url})
    places_of(settings).make()
    return settings


@pytest.fixture
def redis_settings(tmp_path: Path, redis: RedisServer) -> ServerSettings:
    return with_redis(tmp_path, redis.url)


def hinter_for(settings: ServerSettings, every: float = 60.0) -> tuple[Hinter, Store]:
    store = store_of(settings)
    add_workers(store, 2)
    submit(store)
    return Hinter(settings, places_of(settings), store, every=every), store


def test_redis_carries_hints_too(redis_settings: ServerSettings, redis: RedisServer) -> None:
    hinter, store = hinter_for(redis_settings)
    assert (hinter.publish(), hinter.publish()) == (2, 0)
    with connect(make_app(redis_settings, places_of(redis_settings))) as connection:
        assert waiting(connection) == 2
    redis.empty()
    assert hinter.publish() == 2
    dispose(store.database.engine)


def test_a_frozen_redis_holds_up_nobody_and_is_told_of(
    redis_settings: ServerSettings, redis: RedisServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    hinter, store = hinter_for(redis_settings, every=0.2)
    hinter.publish()
    redis.freeze()
    published, real = list[threading.Thread](), hinter.publish

    def publish() -> int:
        published.append(threading.current_thread())
        return real()

    monkeypatch.setattr(hinter, "publish", publish)
    hinter.start()
    for _ in range(50):
        hinter.kick()
    wait_for(lambda: hinter.broker is not None, what="the broker is known to be away")
    assert set(published) == {hinter._thread}, "whoever kicks waits for no broker"
    assert "unreachable" in str(hinter.broker)
    assert "does not answer" in str(broker_problem(redis_settings))
    redis.thaw()
    redis.empty()
    wait_for(lambda: hinter.broker is None, what="the broker is known to be back")
    wait_for(lambda: count(redis_settings) == 2)
    hinter.stop()
    dispose(store.database.engine)


def test_an_absent_redis_is_told_of_and_found_again(tmp_path: Path, redis: RedisServer) -> None:
    settings = with_redis(tmp_path, redis.url)
    redis.end()
    hinter, store = hinter_for(settings, every=0.2)
    assert hinter.publish() == 0
    assert "unreachable" in str(hinter.broker)
    hinter.start()
    redis.start()
    wait_for(lambda: count(settings) == 2)
    wait_for(lambda: hinter.broker is None)
    hinter.stop()
    dispose(store.database.engine)


def test_an_address_that_takes_connections_and_says_nothing_is_told_of(tmp_path: Path) -> None:
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen(8)
        settings = with_redis(tmp_path, f"redis://:geheim7@127.0.0.1:{mute.getsockname()[1]}/0")
        problem = str(broker_problem(settings))
        assert "does not answer" in problem
        assert "geheim7" not in problem


def test_probes_find_nothing_where_all_is_well(
    settings: ServerSettings, redis_settings: ServerSettings, store: Store
) -> None:
    assert broker_problem(settings) is None
    assert broker_problem(redis_settings) is None
    assert store_problem(settings) is None
    assert store_problem(settings, store) is None


def test_a_broker_folder_that_is_no_folder_is_named(settings: ServerSettings, places: Places) -> None:
    places.hints.rmdir()
    places.hints.write_text("in the way")
    assert str(places.hints) in str(broker_problem(settings))


def test_a_store_that_cannot_be_opened_is_told_of(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, store={"url": "postgresql://nobody@127.0.0.1:1/none"})
    assert "does not answer" in str(store_problem(settings))


def test_hints_are_counted_in_the_store_now_and_then_and_at_the_end(
    settings: ServerSettings, places: Places, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hints, "COUNTED", 0.2)
    add_workers(store, 2)
    submit(store, units=surveys(5))
    told: list[float] = []
    real = store.count

    def count(name: str, amount: float) -> None:
        told.append(amount)
        real(name, amount)

    monkeypatch.setattr(store, "count", count)
    made = Hinter(settings, places, store, every=0.02)
    made.start()
    wait_for(lambda: store.figures().counted.get("hints_published"))
    made.stop()
    assert store.figures().counted == {"hints_published": 2.0}
    assert told == [2], "once for both"
