"""Units that only help another one: nobody waits for them, and they bring no job down."""

from __future__ import annotations

import pytest

from nearfar.errors import LostClaim
from nearfar.jobs import (
    AttemptStep,
    Claim,
    Coming,
    JobState,
    Outcome,
    ServerState,
    Store,
    UnitKind,
    UnitPlan,
    UnitState,
    Wish,
)
from tests.worker.jobs.making import Clock, must_claim, one, submit, surveys, work_off


def helped(kind: UnitKind) -> tuple[UnitPlan, UnitPlan]:
    """A unit that does everything and one that helps it."""
    return UnitPlan(kind=kind, start=0, stop=1), UnitPlan(kind=kind, start=1, stop=2)


def both(store: Store, kind: UnitKind) -> tuple[Claim, Claim]:
    """The two, in the hands of two workers, everything before done."""
    while (claim := must_claim(store)).kind is not kind:
        store.finish(claim)
    other = must_claim(store, "w2")
    return (claim, other) if claim.start == 0 else (other, claim)


def state(store: Store, claim: Claim) -> UnitState:
    return next(unit.state for unit in store.units(claim.job) if unit.id == claim.unit)


def test_a_job_is_done_with_its_picture_though_a_helper_vanished(store: Store, clock: Clock) -> None:
    job = submit(store, units=(*surveys(2), *helped(UnitKind.DELIVER)))
    deliver, helper = both(store, UnitKind.DELIVER)
    assert store.finish(deliver) is JobState.DONE
    assert store.job(job).progress == 1.0
    assert store.wish(helper) is Wish.DROP
    assert not store.at_rest(job), "what it works with stays as long as it may be alive"
    clock.forward(61)
    assert store.reap().ended == 1
    assert store.at_rest(job)
    assert store.attempts(job)[-1].step is AttemptStep.LOST


def test_a_helper_that_comes_late_is_told_that_it_is_over(store: Store) -> None:
    job = submit(store, units=(*surveys(1), *helped(UnitKind.DELIVER)))
    deliver, helper = both(store, UnitKind.DELIVER)
    store.finish(deliver)
    with pytest.raises(LostClaim):
        store.finish(helper)
    assert state(store, helper) is UnitState.CANCELLED
    assert store.at_rest(job)


def test_help_that_nobody_began_is_called_off(store: Store) -> None:
    job = submit(
        store, units=(*surveys(1), *helped(UnitKind.REGISTER), one(UnitKind.FOCUS), *helped(UnitKind.DELIVER))
    )
    done = work_off(store)
    assert [(claim.kind, claim.start) for claim in done if claim.kind is not UnitKind.SURVEY] == [
        (UnitKind.REGISTER, 0),
        (UnitKind.FOCUS, 0),
        (UnitKind.DELIVER, 0),
    ]
    found = store.job(job)
    assert (found.state, found.progress) == (JobState.DONE, 1.0)
    late = [(u.kind, u.start) for u in store.units(job) if u.state is UnitState.CANCELLED]
    assert late == [(UnitKind.REGISTER, 1), (UnitKind.DELIVER, 1)]


def test_the_next_stage_begins_though_a_helper_of_the_last_one_vanished(store: Store, clock: Clock) -> None:
    submit(store, units=(*surveys(2), *helped(UnitKind.REGISTER), one(UnitKind.DELIVER)))
    register, helper = both(store, UnitKind.REGISTER)
    store.finish(register)
    deliver = must_claim(store)
    assert deliver.kind is UnitKind.DELIVER
    clock.forward(30)
    store.beat(deliver, progress=0.5)
    clock.forward(31)
    assert store.reap().failed == ()
    assert state(store, helper) is UnitState.CANCELLED, "not tried again"
    with pytest.raises(LostClaim):
        store.finish(helper)
    assert store.finish(deliver) is JobState.DONE


def test_a_helper_that_fails_or_dies_brings_no_job_down(store: Store) -> None:
    job = submit(store, units=(*surveys(1), *helped(UnitKind.DELIVER)))
    deliver, helper = both(store, UnitKind.DELIVER)
    assert store.fail(helper, cause="memory", reason="too little of it", retry=True) is UnitState.CANCELLED
    assert store.job(job).state is JobState.RUNNING
    assert store.finish(deliver) is JobState.DONE


def test_help_that_was_handed_back_may_be_given_by_another(store: Store) -> None:
    job = submit(store, units=(*surveys(1), *helped(UnitKind.DELIVER)))
    deliver, helper = both(store, UnitKind.DELIVER)
    assert store.hand_back(helper) is UnitState.READY
    assert must_claim(store, "w3").unit == helper.unit
    store.finish(deliver)
    assert store.job(job).state is JobState.DONE
    assert work_off(store) == []


def test_work_of_other_jobs_goes_before_help_whatever_becomes_of_weights_and_priority(store: Store) -> None:
    helping = submit(store, units=(*surveys(1), *helped(UnitKind.DELIVER)))
    other = submit(store, stack="fern", units=(*surveys(1), one(UnitKind.DELIVER)))
    for survey in (must_claim(store), must_claim(store, "w2")):
        store.finish(survey, Outcome(weights={"survey": 1.0, "deliver": 2.0}))
    for job in (helping, other):
        store.set_priority(job, 1, who="tester")
    claims = [must_claim(store, worker) for worker in ("w1", "w2", "w3")]
    assert {(claim.job, claim.start) for claim in claims[:2]} == {(helping, 0), (other, 0)}
    assert (claims[2].job, claims[2].start) == (helping, 1), "nothing else is ready"


# What a worker that took part may expect


def test_who_took_part_in_a_job_is_told_that_more_comes_until_its_last_stage(store: Store) -> None:
    job = submit(store, units=(*surveys(2), one(UnitKind.DELIVER)))
    assert store.coming("w1", [job]) is Coming.NOW
    first, second = must_claim(store), must_claim(store, "w2")
    store.finish(first)
    assert store.coming("w1", [job]) is Coming.SOON, "the other survey is at work, delivery waits"
    store.finish(second)
    assert store.coming("w1", [job]) is Coming.NOW
    deliver = must_claim(store, "w2")
    assert store.coming("w1", [job]) is Coming.NO, "nothing follows"
    store.finish(deliver)
    assert store.coming("w1", [job]) is Coming.NO


def test_nobody_waits_for_a_job_that_is_held_or_a_server_that_gives_nothing_out(store: Store) -> None:
    job = submit(store, units=(*surveys(2), one(UnitKind.DELIVER)))
    must_claim(store)
    store.set_server_state(ServerState.PAUSED, who="tester")
    assert store.coming("w2", [job]) is Coming.NO
    store.set_server_state(ServerState.OPEN, who="tester")
    assert store.coming("w2", [job]) is Coming.NOW
    assert store.coming("w2", [job], memory=0, disk=0) is Coming.NOW, "these units need no memory"
    store.hold(job, who="tester")
    assert store.coming("w2", [job]) is Coming.NO
    store.cancel(job, who="tester")
    assert store.coming("w2", [job]) is Coming.NO
    assert store.coming("w2", [999]) is Coming.NO


def test_a_unit_that_the_worker_may_not_have_yet_is_none_that_is_there_now(
    store: Store, clock: Clock
) -> None:
    job = submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    store.fail(must_claim(store), cause="frame", reason="not read", retry=True)
    assert store.coming("w1", [job]) is Coming.SOON
    clock.forward(6)
    assert (store.coming("w2", [job]), store.coming("w1", [job])) == (Coming.NOW, Coming.SOON)
    assert store.claim("w1") is None
    must_claim(store, "w2")
    clock.forward(61)
    assert store.coming("w1", [job]) is Coming.NOW, "its lease ran out"
