"""Workers on record, their heartbeats, and the audit trail."""

from __future__ import annotations

from functools import partial

import pytest
import sqlalchemy as sa

from nearfar.errors import NotFound, StoreError
from nearfar.jobs import ServerState, Store, Worker, WorkerState
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import attempts, events
from tests.worker.jobs.making import START, Clock, must_claim, submit


def register(store: Store, worker: str = "w1", **changes: int) -> None:
    figures = {"pid": 4711, "slots": 2, "memory": 4 << 30, "disk": 90 << 30} | changes
    store.register(worker, host="bench", version="0.2.0", **figures)


def test_a_worker_is_known_by_what_it_said(store: Store) -> None:
    register(store)
    assert store.workers() == (
        Worker(
            id="w1",
            host="bench",
            pid=4711,
            version="0.2.0",
            slots=2,
            memory=4 << 30,
            disk=90 << 30,
            state=WorkerState.WORKING,
            started=START,
            beat=START,
        ),
    )
    assert [(e.who, e.action) for e in store.events()] == [("w1", "worker.started")]


def test_a_heartbeat_brings_the_free_memory_and_disk(store: Store, clock: Clock) -> None:
    register(store)
    clock.forward(10)
    assert store.worker_beat("w1", memory=5, disk=6) is ServerState.OPEN
    (worker,) = store.workers(alive=True)
    assert (worker.memory, worker.disk, worker.beat, worker.started) == (5, 6, START + 10, START)
    store.set_server_state(ServerState.DRAINING, who="lena")
    assert store.worker_beat("w1", memory=5, disk=6, state=WorkerState.DRAINING) is ServerState.DRAINING
    assert store.workers(alive=True)[0].state is WorkerState.DRAINING


def test_a_heartbeat_of_a_stranger_is_refused(store: Store) -> None:
    with pytest.raises(NotFound, match="there is no worker w9; register it"):
        store.worker_beat("w9", memory=1, disk=1)


def test_a_silent_worker_counts_as_lost_and_a_beating_one_is_back(store: Store, clock: Clock) -> None:
    register(store)
    clock.forward(60)
    assert store.reap().workers == ()
    clock.forward(1)
    assert store.reap().workers == ("w1",)
    assert store.reap().workers == ()
    assert (store.workers()[0].state, store.workers(alive=True)) == (WorkerState.LOST, ())
    store.worker_beat("w1", memory=1, disk=1)
    assert store.workers(alive=True)[0].state is WorkerState.WORKING


def test_a_worker_that_left_is_not_waited_for(store: Store, clock: Clock) -> None:
    register(store)
    store.leave("w1")
    clock.forward(1000)
    assert store.reap().workers == ()
    assert store.workers()[0].state is WorkerState.GONE


def test_a_worker_of_the_same_name_starts_anew(store: Store, clock: Clock) -> None:
    register(store)
    store.leave("w1")
    clock.forward(5)
    register(store, pid=4712)
    (worker,) = store.workers(alive=True)
    assert (worker.pid, worker.started, worker.state) == (4712, START + 5, WorkerState.WORKING)


def test_a_dead_worker_without_units_is_noted(store: Store) -> None:
    register(store)
    assert store.worker_lost("w1", cause="killed", reason="signal 9", who="supervisor") == ()
    assert store.workers()[0].state is WorkerState.LOST
    event = store.events()[-1]
    assert (event.who, event.action) == ("supervisor", "worker.lost")
    assert event.detail == {"worker": "w1", "cause": "killed", "reason": "signal 9"}


def test_the_trail_is_read_from_any_point_and_for_one_job(store: Store) -> None:
    assert store.last_event() == 0
    first = submit(store)
    second = submit(store, stack="beetle")
    store.hold(first, who="lena", reason="later")
    assert [(e.job, e.action) for e in store.events()] == [
        (first, "job.submitted"),
        (second, "job.submitted"),
        (first, "job.held"),
    ]
    numbers = [event.id for event in store.events()]
    assert numbers == sorted(numbers)
    assert store.last_event() == numbers[-1]
    assert [e.action for e in store.events(numbers[1])] == ["job.held"]
    assert [e.detail for e in store.events(job=first)] == [{"stack": "moss"}, {"reason": "later"}]
    assert len(store.events(limit=2)) == 2


def back_date(tx: Tx, trail: sa.Table) -> None:
    tx.conn.execute(sa.update(trail).values(at=0.0))


def test_what_is_on_record_cannot_be_changed(store: Store) -> None:
    submit(store)
    must_claim(store)
    for trail in (events, attempts):
        with pytest.raises(StoreError, match=f"{trail.name}: rows are added and never changed"):
            store.database.write(partial(back_date, trail=trail))
    assert {event.at for event in store.events()} == {START}
