"""What lost its worker is released, and given up when that happens too often; other jobs go on."""

from __future__ import annotations

import threading

import pytest
import sqlalchemy as sa

from nearfar.errors import LostClaim
from nearfar.jobs import AttemptStep, JobState, Reaped, Store, UnitKind, UnitState
from nearfar.jobs.model import attempts
from tests.worker.jobs.making import Clock, must_claim, one, submit, surveys, work_off

NOTHING = Reaped(ready=0, ended=0, failed=(), workers=())


def test_a_lease_that_runs_leaves_its_unit_alone(store: Store, clock: Clock) -> None:
    submit(store)
    must_claim(store)
    clock.forward(59.9)
    assert store.reap() == NOTHING


def test_a_lease_that_ran_out_sets_its_unit_free(store: Store, clock: Clock) -> None:
    job = submit(store)
    claim = must_claim(store, "w1")
    clock.forward(60.1)
    assert store.reap() == Reaped(ready=1, ended=0, failed=(), workers=())
    unit = next(unit for unit in store.units(job) if unit.id == claim.unit)
    assert (unit.state, unit.attempts, unit.cause) == (UnitState.READY, 1, "lost")
    assert unit.reason == "its worker w1 fell silent"
    assert store.reap() == NOTHING
    event = store.events(job=job)[-1]
    assert (event.action, event.unit, event.detail["attempt"]) == ("unit.lost", claim.unit, 1)


def test_a_claim_takes_over_what_ran_out_before_it_begins_something_new(store: Store, clock: Clock) -> None:
    submit(store)
    first = must_claim(store, "w1")
    clock.forward(61)
    second = must_claim(store, "w2")
    assert (second.unit, second.attempt) == (first.unit, 2)
    assert store.figures().units_ended == {("survey", "lost"): 1.0}


def test_a_job_that_kills_its_worker_three_times_is_given_up_with_the_cause(
    store: Store, clock: Clock
) -> None:
    poison = submit(store, stack="poison", units=surveys(1))
    other = submit(store, stack="moss")
    for attempt in (1, 2, 3):
        claim = must_claim(store, f"w{attempt}")
        assert (claim.job, claim.attempt) == (poison, attempt)
        clock.forward(61)
    assert must_claim(store, "w4").job == other, "a fourth try"
    assert store.reap() == Reaped(ready=0, ended=0, failed=(poison,), workers=())
    failed = store.job(poison)
    assert (failed.state, failed.cause) == (JobState.FAILED, "lost")
    assert failed.reason == (
        "survey 0 to 3 was tried 3 times and did not succeed; the last time: its worker w3 fell silent"
    )
    clock.forward(61)
    store.reap()
    clock.forward(20)
    work_off(store)
    assert store.job(other).state is JobState.DONE


def test_a_worker_known_to_be_dead_is_not_waited_for(store: Store, clock: Clock) -> None:
    job = submit(store)
    mine, theirs = must_claim(store, "w1"), must_claim(store, "w2")
    reason = "killed by the system for memory: wanted 3 GiB, there were 2 GiB"
    assert store.worker_lost("w1", cause="memory", reason=reason, who="supervisor") == ()
    units = {unit.id: unit for unit in store.units(job)}
    assert (units[mine.unit].state, units[mine.unit].cause) == (UnitState.READY, "memory")
    assert units[theirs.unit].state is UnitState.HELD
    with pytest.raises(LostClaim):
        store.finish(mine)
    for worker in ("w3", "w4"):
        clock.forward(20)
        again = must_claim(store, worker)
        assert again.unit == mine.unit
        lost = store.worker_lost(worker, cause="memory", reason=reason, who="supervisor")
    assert lost == (job,)
    assert (
        store.job(job).reason
        == f"survey 0 to 3 was tried 3 times and did not succeed; the last time: {reason}"
    )
    assert store.figures().failures == {"memory": 1.0}


def test_units_of_a_job_that_ended_end_with_their_lease(store: Store, clock: Clock) -> None:
    job = submit(store)
    must_claim(store)
    store.cancel(job, who="tester")
    assert not store.at_rest(job)
    clock.forward(61)
    assert store.claim("w2") is None
    assert store.reap() == Reaped(ready=0, ended=1, failed=(), workers=())
    assert store.at_rest(job)
    assert store.attempts(job)[-1].step is AttemptStep.LOST


def test_units_of_a_held_job_wait(store: Store, clock: Clock) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.hold(job, who="tester")
    clock.forward(61)
    assert store.claim("w2") is None
    store.reap()
    assert next(unit for unit in store.units(job) if unit.id == claim.unit).state is UnitState.WAITING
    store.release(job, who="tester")
    clock.forward(20)
    work_off(store, "w2")
    assert store.job(job).state is JobState.DONE


def test_a_clock_that_is_set_back_holds_nothing_up_for_long(store: Store, clock: Clock) -> None:
    submit(store, units=surveys(2))
    must_claim(store)
    store.hand_back(must_claim(store, "w2"), rest=20.0)
    clock.forward(-1e6)
    assert store.reap() == NOTHING
    assert store.claim("w2") is None
    clock.forward(61)
    assert store.reap().ready == 1
    clock.forward(15)
    assert store.claim("w2") is not None, "whose lease was brought within reach"
    assert store.claim("w3") is None
    clock.forward(3600)
    assert store.claim("w3") is not None


def test_what_rests_waits_no_longer_when_the_clock_is_set_back(store: Store, clock: Clock) -> None:
    """By as much as a daylight saving time that was not one."""
    submit(store, units=surveys(2))
    store.register("w9", host="mill", pid=9, version="1", slots=1, memory=1, disk=1)
    store.reap()
    store.hand_back(must_claim(store, "w2"), rest=20.0)
    store.hand_back(must_claim(store, "w2"), rest=40.0)
    clock.forward(-3000)
    assert store.reap() == NOTHING
    assert store.reap() == NOTHING, "once is enough"
    assert store.claim("w3") is None
    clock.forward(20)
    assert store.claim("w3") is not None
    assert store.claim("w3") is None
    clock.forward(20)
    assert store.claim("w3") is not None
    told = [event for event in store.events() if event.action == "clock.set-back"]
    assert [event.detail for event in told] == [{"seconds": 3000.0}]
    clock.forward(21)
    assert store.reap().workers == ("w9",), "which would have counted as alive for an hour"


def test_many_reapers_release_each_unit_once(store: Store, clock: Clock) -> None:
    job = submit(store, units=(*surveys(12), one(UnitKind.DELIVER)))
    for k in range(12):
        must_claim(store, f"w{k}")
    clock.forward(61)
    reaped: list[Reaped] = []
    threads = [threading.Thread(target=lambda: reaped.append(store.reap())) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(found.ready for found in reaped) == 12
    lost = [a.unit for a in store.attempts(job) if a.step is AttemptStep.LOST]
    assert len(lost) == len(set(lost)) == 12


def test_a_gap_in_the_record_stops_no_claim(store: Store, clock: Clock) -> None:
    submit(store, units=surveys(1))
    must_claim(store)
    with store.database.engine.begin() as conn:
        conn.execute(sa.delete(attempts))
    clock.forward(61)
    assert must_claim(store, "w2").attempt == 2
