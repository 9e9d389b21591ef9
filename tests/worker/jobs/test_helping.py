"""Units that only help another one: nobody waits for them, and they bring no job down."""

from __future__ import annotations

import pytest

from nearfar.errors import LostClaim
from nearfar.jobs import AttemptStep, Claim, JobState, Store, UnitKind, UnitPlan, UnitState, Wish
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
