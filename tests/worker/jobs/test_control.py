"""What people do to jobs, and how workers learn of it."""

from __future__ import annotations

import pytest

from nearfar.errors import IllegalTransition, LostClaim, NotFound, UsageError
from nearfar.jobs import AttemptStep, JobState, ServerState, Store, UnitKind, UnitState, Wish
from tests.worker.jobs.making import START, Clock, bring_to, must_claim, one, submit, surveys, work_off

OPEN = [JobState.WAITING, JobState.RUNNING, JobState.HELD]
ENDED = [JobState.DONE, JobState.FAILED, JobState.CANCELLED]


def in_state(store: Store, state: JobState) -> int:
    job = submit(store)
    if state is not JobState.WAITING:
        bring_to(store, job, state)
    return job


@pytest.mark.parametrize("state", OPEN)
def test_cancelling_ends_a_job_at_once(store: Store, clock: Clock, state: JobState) -> None:
    job = in_state(store, state)
    clock.forward(5)
    store.cancel(job, who="lena", reason="wrong lens")
    cancelled = store.job(job)
    assert (cancelled.state, cancelled.reason, cancelled.finished) == (
        JobState.CANCELLED,
        "wrong lens",
        START + 5,
    )
    assert store.claim("w2") is None
    assert {unit.state for unit in store.units(job)} <= {UnitState.CANCELLED, UnitState.HELD}
    assert (store.events(job=job)[-1].who, store.events(job=job)[-1].action) == ("lena", "job.cancelled")


@pytest.mark.parametrize("state", ENDED)
def test_what_ended_is_neither_cancelled_nor_held_nor_released(store: Store, state: JobState) -> None:
    job = in_state(store, state)
    for order in (store.cancel, store.hold, store.release):
        with pytest.raises(IllegalTransition, match=f"job {job} is {state} and cannot be"):
            order(job, who="lena")
    with pytest.raises(IllegalTransition, match=f"job {job} is {state}"):
        store.refuse(job, cause="memory", reason="too large", who="planner")
    with pytest.raises(IllegalTransition, match=f"job {job} is {state} and cannot be moved in the order"):
        store.set_priority(job, 3, who="lena")
    assert store.job(job).state is state


def test_a_worker_learns_of_a_cancelled_job_and_ends_its_unit_when_the_scratch_is_gone(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    assert store.wish(claim) is Wish.GO_ON
    store.cancel(job, who="lena")
    assert store.wish(claim) is Wish.DROP
    assert store.beat(claim, progress=0.4) is Wish.DROP
    assert not store.at_rest(job)
    assert store.hand_back(claim) is UnitState.CANCELLED
    assert store.at_rest(job)
    assert store.attempts(job)[-1].step is AttemptStep.CANCELLED
    with pytest.raises(LostClaim, match="it is cancelled"):
        store.wish(claim)


def test_failing_a_unit_of_a_cancelled_job_changes_nothing_about_the_job(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.cancel(job, who="lena")
    assert store.fail(claim, cause="disk", reason="gone", retry=False) is UnitState.CANCELLED
    assert store.job(job).state is JobState.CANCELLED
    assert store.figures().failures == {}


def test_a_held_job_gives_out_nothing_and_goes_on_where_it_was(store: Store) -> None:
    job = submit(store)
    store.finish(must_claim(store))
    store.hold(job, who="lena", reason="waits for a better frame")
    assert (store.job(job).state, store.job(job).reason) == (JobState.HELD, "waits for a better frame")
    assert store.claim("w1") is None
    store.release(job, who="lena")
    assert (store.job(job).state, store.job(job).reason) == (JobState.WAITING, None)
    assert [claim.kind for claim in work_off(store)] == [UnitKind.SURVEY, UnitKind.DELIVER]
    assert [event.action for event in store.events(job=job)] == [
        "job.submitted",
        "job.began",
        "job.held",
        "job.released",
        "job.began",
        "job.done",
    ]


def test_units_in_work_of_a_held_job_are_handed_back_and_wait(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.hold(job, who="lena")
    assert store.wish(claim) is Wish.HAND_BACK
    assert store.beat(claim, progress=0.3) is Wish.HAND_BACK
    assert store.hand_back(claim) is UnitState.WAITING
    assert store.claim("w2") is None
    store.release(job, who="lena")
    assert len(work_off(store)) == 3


def test_a_unit_that_fails_while_its_job_is_held_waits_as_well(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.hold(job, who="lena")
    assert store.fail(claim, cause="disk", reason="read error") is UnitState.WAITING
    assert store.job(job).state is JobState.HELD


def test_units_in_work_may_finish_while_their_job_is_held(store: Store) -> None:
    job = submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    claim = must_claim(store)
    store.hold(job, who="lena")
    assert store.finish(claim) is JobState.HELD
    assert store.claim("w1") is None
    store.release(job, who="lena")
    last = must_claim(store)
    store.hold(job, who="lena")
    assert store.finish(last) is JobState.DONE


def test_a_unit_kept_over_hold_and_release_makes_its_job_run(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.hold(job, who="lena")
    store.release(job, who="lena")
    assert store.job(job).state is JobState.WAITING
    assert store.beat(claim, progress=0.5) is Wish.GO_ON
    assert store.job(job).state is JobState.RUNNING


@pytest.mark.parametrize("state", [JobState.WAITING, JobState.RUNNING])
def test_only_a_held_job_is_released(store: Store, state: JobState) -> None:
    job = in_state(store, state)
    with pytest.raises(IllegalTransition, match=f"job {job} is {state} and cannot be released"):
        store.release(job, who="lena")


@pytest.mark.parametrize("state", OPEN)
def test_a_job_that_turns_out_not_to_be_workable_is_refused(store: Store, state: JobState) -> None:
    job = in_state(store, state)
    reason = "survey needs 9 GiB; the largest worker has 4 GiB. Give it --memory 9GiB"
    store.refuse(job, cause="memory", reason=reason, who="planner")
    assert (store.job(job).state, store.job(job).cause, store.job(job).reason) == (
        JobState.FAILED,
        "memory",
        reason,
    )


def test_draining_asks_for_all_units_back(store: Store) -> None:
    submit(store)
    claim = must_claim(store)
    store.set_server_state(ServerState.PAUSED, who="lena")
    assert store.wish(claim) is Wish.GO_ON
    store.set_server_state(ServerState.DRAINING, who="lena")
    assert store.wish(claim) is Wish.HAND_BACK
    assert store.hand_back(claim) is UnitState.READY
    assert [(e.who, e.action) for e in store.events()][-2:] == [
        ("lena", "server.paused"),
        ("lena", "server.draining"),
    ]


def test_saying_the_same_twice_is_on_record_once(store: Store) -> None:
    for _ in range(2):
        store.set_server_state(ServerState.PAUSED, who="lena")
    assert [event.action for event in store.events()] == ["server.paused"]


def test_jobs_that_are_not_there_are_named(store: Store) -> None:
    for order in (store.cancel, store.hold, store.release, store.run_again):
        with pytest.raises(NotFound, match="there is no job 5"):
            order(5, who="lena")
    with pytest.raises(NotFound, match="there is no job 5"):
        store.job(5)
    with pytest.raises(NotFound, match="there is no job 5"):
        store.set_priority(5, 1, who="lena")
    assert (store.frames(5), store.units(5), store.attempts(5)) == ((), (), ())


def test_a_priority_out_of_range_changes_nothing(store: Store) -> None:
    job = submit(store, priority=2)
    with pytest.raises(UsageError):
        store.set_priority(job, 99, who="lena")
    assert store.job(job).priority == 2


def test_progress_counts_every_stage_by_its_expected_time_and_never_goes_back(store: Store) -> None:
    job = submit(
        store,
        units=(*surveys(2, weight=10.0), one(UnitKind.DELIVER, weight=5.0)),
        weights={"survey": 30.0, "render": 60.0, "deliver": 10.0},
    )
    first, second = must_claim(store, "w1"), must_claim(store, "w2")
    store.beat(first, progress=0.5)
    assert store.job(job).progress == pytest.approx(0.3 * 0.25)
    store.finish(second)
    assert store.job(job).progress == pytest.approx(0.3 * 0.75)
    store.beat(first, progress=0.1)
    assert store.job(job).progress == pytest.approx(0.3 * 0.75)
    store.beat(first, progress=7.0)
    assert store.job(job).progress == pytest.approx(0.3)
    store.hand_back(first)
    assert store.job(job).progress == pytest.approx(0.3)
    work_off(store)
    assert store.job(job).progress == 1.0
