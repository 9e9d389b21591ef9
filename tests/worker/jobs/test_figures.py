"""Figures of the whole store, what could be given out, and what nobody has room for."""

from __future__ import annotations

from nearfar.jobs import JobState, Pace, ServerState, Store, UnitKind
from tests.worker.jobs.making import Clock, bring_to, must_claim, one, submit, surveys, work_off


def test_an_empty_store_has_figures_as_well(store: Store, clock: Clock) -> None:
    figures = store.figures()
    assert figures.at == clock.now
    assert figures.jobs == dict.fromkeys(JobState, 0)
    assert figures.oldest_waiting is None
    assert (figures.units_ready, figures.units_held, figures.server) == (0, 0, ServerState.OPEN)
    assert (figures.unit_seconds, figures.failures, figures.workers) == ({}, {}, ())
    assert figures.busy == frozenset()


def test_the_figures_tell_of_jobs_units_and_failures(store: Store, clock: Clock) -> None:
    for state in (JobState.FAILED, JobState.CANCELLED, JobState.DONE, JobState.HELD):
        bring_to(store, submit(store), state)
    submit(store, units=surveys(5))
    clock.forward(30)
    submit(store, units=surveys(5))
    must_claim(store)
    store.register("w1", host="bench", pid=1, version="0.2.0", slots=1, memory=1, disk=2)
    clock.forward(12)
    figures = store.figures()
    assert figures.jobs == {
        JobState.WAITING: 1,
        JobState.RUNNING: 1,
        JobState.HELD: 1,
        JobState.DONE: 1,
        JobState.FAILED: 1,
        JobState.CANCELLED: 1,
    }
    assert figures.oldest_waiting == 12.0
    assert (figures.units_ready, figures.units_held) == (9, 1)
    assert figures.units_ended == {
        ("survey", "done"): 2.0,
        ("survey", "failed"): 1.0,
        ("deliver", "done"): 1.0,
    }
    assert figures.jobs_ended == {"done": 1.0, "failed": 1.0, "cancelled": 1.0}
    assert figures.failures == {"frame": 1.0}
    assert [worker.id for worker in figures.workers] == ["w1"]
    assert figures.busy == {"w1"}


def test_the_seconds_of_each_step_add_up(store: Store, clock: Clock) -> None:
    for _ in range(2):
        submit(store, units=(*surveys(2), one(UnitKind.REGISTER), one(UnitKind.DELIVER)))
    for seconds in (1.0, 2.0, 4.0, 8.0) * 2:
        claim = must_claim(store)
        clock.forward(seconds)
        store.finish(claim)
    # Two surveys, a register and a deliver each.
    assert store.figures().unit_seconds == {"survey": 6.0, "register": 8.0, "deliver": 16.0}


def test_the_pace_compares_what_units_took_with_what_was_expected(store: Store, clock: Clock) -> None:
    assert store.pace() == {}
    submit(store, units=(*surveys(11, weight=10.0), one(UnitKind.DELIVER, weight=2.0)))
    for k in range(11):
        claim = must_claim(store)
        clock.forward(5.0 + k)
        store.finish(claim)
    claim = must_claim(store)
    clock.forward(3.0)
    store.finish(claim)
    # 5 to 15 s where 10 were expected; the deciles of eleven equally spaced values are the second and the tenth.
    assert store.pace() == {
        UnitKind.SURVEY: Pace(low=0.6, middle=1.0, high=1.4, count=11),
        UnitKind.DELIVER: Pace(low=1.5, middle=1.5, high=1.5, count=1),
    }


def test_processes_count_what_they_like(store: Store) -> None:
    store.count("hints published")
    store.count("hints published", 4)
    store.count("hints ignored")
    assert store.figures().counted == {"hints published": 5.0, "hints ignored": 1.0}


def test_what_could_be_given_out_is_counted_up_to_a_limit(store: Store, clock: Clock) -> None:
    assert store.claimable() == 0
    submit(store, units=(*surveys(5, memory=100), one(UnitKind.REGISTER)))
    assert store.claimable() == 5
    assert store.claimable(limit=3) == 3
    assert store.claimable(memory=99) == 0
    assert store.claimable(memory=100, disk=0) == 5
    claim = must_claim(store)
    assert store.claimable() == 4
    clock.forward(61)
    assert store.claimable() == 5, "its lease ran out"
    store.hand_back(claim, rest=30)
    assert store.claimable() == 4


def test_a_store_with_nothing_left_to_do_says_so(store: Store) -> None:
    submit(store)
    work_off(store)
    assert store.claimable() == 0


def test_units_that_nobody_has_room_for_are_found(store: Store, clock: Clock) -> None:
    job = submit(store, units=surveys(1, memory=500, disk=10))
    submit(store, units=surveys(1, memory=50))
    assert store.too_large() == (), "no worker is there to be too small"
    store.register("w1", host="bench", pid=1, version="0.2.0", slots=1, memory=499, disk=1000)
    store.register("w2", host="bench", pid=2, version="0.2.0", slots=1, memory=1000, disk=9)
    (found,) = store.too_large()
    assert (found.job, found.memory, found.disk) == (job, 500, 10)
    store.worker_beat("w1", memory=500, disk=10)
    assert store.too_large() == ()
    clock.forward(61)
    store.worker_beat("w2", memory=1000, disk=9)
    store.reap()
    assert [large.job for large in store.too_large()] == [job], "a lost worker has no room"
