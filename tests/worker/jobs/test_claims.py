"""Claims: each unit to one worker at a time, however many ask; stages in their order; room; retries and their end."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path

import pytest
import sqlalchemy as sa

from nearfar.errors import LostClaim, StoreError
from nearfar.jobs import (
    AttemptStep,
    Claim,
    JobState,
    Outcome,
    Rules,
    ServerState,
    Store,
    UnitKind,
    UnitPlan,
    UnitState,
    open_store,
    work,
)
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import attempts
from tests.worker.jobs.making import START, Clock, must_claim, one, submission, submit, surveys, work_off


def test_nothing_to_do_gives_nothing(store: Store) -> None:
    assert store.claim("w1") is None


def test_a_claim_says_what_to_do_and_until_when(store: Store) -> None:
    plan = UnitPlan(
        kind=UnitKind.SURVEY,
        start=4,
        stop=8,
        weight=3.0,
        memory=10,
        disk=20,
        limit=900,
        detail={"threads": 2},
    )
    job = submit(store, units=(plan,))
    claim = must_claim(store, "w7")
    assert claim == Claim(
        unit=claim.unit,
        token=1,
        worker="w7",
        job=job,
        run=1,
        kind=UnitKind.SURVEY,
        start=4,
        stop=8,
        weight=3.0,
        memory=10,
        disk=20,
        attempt=1,
        lease_until=START + 60,
        deadline=START + 900,
        detail={"threads": 2},
    )
    assert claim.log_context() == {"job": job, "unit": claim.unit, "token": 1, "step": "survey"}


def test_the_attempt_is_counted_before_any_work(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    unit = next(unit for unit in store.units(job) if unit.id == claim.unit)
    assert (unit.attempts, unit.state, unit.worker) == (1, UnitState.HELD, "w1")
    assert [(a.unit, a.step, a.token) for a in store.attempts(job)] == [(claim.unit, AttemptStep.STARTED, 1)]
    assert store.job(job).state is JobState.RUNNING
    assert store.job(job).started == START


def test_a_stage_begins_when_all_of_the_one_before_is_done(store: Store) -> None:
    job = submit(store, units=(*surveys(2), one(UnitKind.REGISTER), one(UnitKind.DELIVER)))
    first, second = must_claim(store), must_claim(store)
    assert store.claim("w3") is None
    store.finish(first)
    assert store.claim("w3") is None
    store.finish(second)
    register = must_claim(store)
    assert register.kind is UnitKind.REGISTER
    assert store.claim("w3") is None
    assert store.finish(register) is JobState.RUNNING
    assert store.finish(must_claim(store)) is JobState.DONE
    assert store.job(job).progress == 1.0


def test_units_of_later_stages_come_with_the_end_of_an_earlier_one(store: Store) -> None:
    job = submit(store, units=(*surveys(1), one(UnitKind.FOCUS)))
    store.finish(must_claim(store))
    tiles = tuple(UnitPlan(kind=UnitKind.RENDER, start=16 * k, stop=16 * k + 16) for k in range(3))
    store.finish(must_claim(store), Outcome(then=(*tiles, one(UnitKind.DELIVER))))
    assert [claim.kind for claim in work_off(store)] == [UnitKind.RENDER] * 3 + [UnitKind.DELIVER]
    assert store.job(job).state is JobState.DONE


def test_units_that_several_add_are_added_once(store: Store) -> None:
    job = submit(store, units=surveys(3))
    for _ in range(3):
        store.finish(must_claim(store), Outcome(then=(one(UnitKind.DELIVER),)))
    assert [unit.kind for unit in store.units(job)] == [UnitKind.SURVEY] * 3 + [UnitKind.DELIVER]


def test_a_plan_that_ends_without_a_delivery_is_refused_and_nothing_of_the_unit_kept(store: Store) -> None:
    job = submit(store, units=surveys(1))
    claim = must_claim(store)
    with pytest.raises(StoreError, match="expected one of deliver"):
        store.finish(claim, Outcome(counts={"pixels": 5.0}))
    assert store.job(job).state is JobState.RUNNING
    assert store.figures().counted == {}
    assert store.finish(claim, Outcome(then=(one(UnitKind.DELIVER),))) is JobState.RUNNING


def test_a_unit_cannot_add_to_its_own_stage_or_an_earlier_one(store: Store) -> None:
    submit(store, units=(one(UnitKind.REGISTER), one(UnitKind.DELIVER)))
    claim = must_claim(store)
    for kind in (UnitKind.SURVEY, UnitKind.REGISTER):
        with pytest.raises(StoreError, match=f"a unit of register cannot add one of {kind}"):
            store.finish(claim, Outcome(then=(UnitPlan(kind=kind, start=7, stop=8),)))


def test_a_unit_that_needs_more_than_a_worker_has_is_kept_for_another_one(store: Store) -> None:
    submit(store, stack="wide", units=surveys(1, memory=8_000, disk=100))
    submit(store, stack="deep", units=surveys(1, memory=100, disk=8_000))
    assert store.claim("small", memory=7_999, disk=7_999) is None
    assert must_claim(store, "w1", memory=8_000, disk=100).memory == 8_000
    assert store.claim("w1", memory=8_000, disk=7_999) is None
    assert must_claim(store, "w2", memory=100, disk=8_000).disk == 8_000


def test_a_large_unit_does_not_hide_a_small_one_of_the_same_owner(store: Store) -> None:
    submit(store, stack="wide", units=surveys(3, memory=8_000))
    small = submit(store, stack="small", units=surveys(1, memory=100))
    assert must_claim(store, memory=500).job == small


@pytest.mark.parametrize("state", [ServerState.PAUSED, ServerState.DRAINING])
def test_a_server_that_is_not_open_gives_out_nothing(store: Store, state: ServerState) -> None:
    submit(store)
    store.set_server_state(state, who="tester")
    assert store.server_state() is state
    assert store.claim("w1") is None
    assert store.claimable() == 0
    store.set_server_state(ServerState.OPEN, who="tester")
    assert store.claim("w1") is not None


def test_a_failed_unit_rests_longer_each_time_and_then_brings_its_job_down(
    store: Store, clock: Clock
) -> None:
    job = submit(store)
    other = submit(store, stack="beetle")
    for worker, rest in (("w1", 5.0), ("w2", 10.0)):
        claim = must_claim(store, worker)
        assert claim.job == job
        assert store.fail(claim, cause="kernel", reason="segment 3 fell over") is UnitState.READY
        unit = next(unit for unit in store.units(job) if unit.id == claim.unit)
        assert (unit.not_before, unit.cause, unit.reason) == (
            clock.now + rest,
            "kernel",
            "segment 3 fell over",
        )
        clock.forward(rest)
    claim = must_claim(store, "w3")
    assert (claim.job, claim.attempt, claim.token) == (job, 3, 3)
    assert store.fail(claim, cause="kernel", reason="segment 3 fell over") is UnitState.FAILED
    failed = store.job(job)
    assert (failed.state, failed.cause) == (JobState.FAILED, "kernel")
    assert (
        failed.reason
        == "survey 0 to 3 was tried 3 times and did not succeed; the last time: segment 3 fell over"
    )
    assert {unit.state for unit in store.units(job)} == {UnitState.FAILED, UnitState.CANCELLED}
    work_off(store)
    assert store.job(other).state is JobState.DONE


def test_trying_again_is_left_to_another_worker_for_a_while(store: Store, clock: Clock) -> None:
    submit(store, units=surveys(1))
    store.fail(must_claim(store, "w1"), cause="disk", reason="read error")
    clock.forward(4.9)
    assert store.claim("w2") is None
    clock.forward(0.1)
    assert store.claim("w1") is None
    clock.forward(10.0)
    assert store.claim("w1") is not None


def test_where_trying_again_is_of_no_use_the_job_fails_at_once(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    reason = "03.tif: found CMYK colour (4 inks); expected RGB or greyscale."
    assert store.fail(claim, cause="frame", reason=reason, retry=False) is UnitState.FAILED
    assert (store.job(job).state, store.job(job).cause, store.job(job).reason) == (
        JobState.FAILED,
        "frame",
        reason,
    )


def test_a_failed_job_ends_the_units_that_others_still_hold(store: Store) -> None:
    job = submit(store)
    mine, theirs = must_claim(store, "w1"), must_claim(store, "w2")
    store.fail(mine, cause="frame", reason="broken", retry=False)
    assert not store.at_rest(job)
    with pytest.raises(LostClaim, match="no longer wants it"):
        store.finish(theirs)
    assert store.at_rest(job)
    assert store.job(job).state is JobState.FAILED


def test_handing_back_is_not_counted(store: Store) -> None:
    job = submit(store, units=surveys(1))
    for token in range(1, 6):
        claim = must_claim(store)
        assert (claim.attempt, claim.token) == (1, token)
        assert store.hand_back(claim) is UnitState.READY
    assert store.units(job)[0].attempts == 0
    assert store.owners()[0].passed == 0.0
    steps = Counter(attempt.step for attempt in store.attempts(job))
    assert steps == {AttemptStep.STARTED: 5, AttemptStep.HANDED_BACK: 5}


def test_what_is_handed_back_may_rest(store: Store, clock: Clock) -> None:
    submit(store, units=surveys(1))
    store.hand_back(must_claim(store), rest=300.0)
    assert store.claim("w2") is None
    clock.forward(299.0)
    store.reap()
    assert store.claim("w2") is None
    clock.forward(1.0)
    store.hand_back(must_claim(store), rest=1e9)
    clock.forward(3600.0)
    assert store.claim("w1") is not None


def test_what_a_unit_made_is_kept_with_it(store: Store, clock: Clock) -> None:
    job = submit(store)
    claim = must_claim(store)
    clock.forward(12.5)
    store.finish(
        claim, Outcome(result={"file": f"survey.{claim.token}"}, counts={"pixels": 2e6, "frames": 4})
    )
    unit = next(unit for unit in store.units(job) if unit.id == claim.unit)
    assert unit.result == {"file": "survey.1"}
    figures = store.figures()
    assert figures.counted == {"pixels": 2e6, "frames": 4}
    assert figures.unit_seconds == {"survey": 12.5}
    assert figures.units_ended == {("survey", "done"): 1.0}
    assert store.attempts(job)[-1].seconds == 12.5


def test_finishing_twice_since_the_answer_was_lost_counts_once(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    outcome = Outcome(counts={"pixels": 7.0})
    assert store.finish(claim, outcome) is store.finish(claim, outcome) is JobState.RUNNING
    assert store.figures().counted == {"pixels": 7.0}
    assert [a.step for a in store.attempts(job)] == [AttemptStep.STARTED, AttemptStep.DONE]


def test_the_database_itself_refuses_a_second_end_of_a_unit(store: Store) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.finish(claim)
    line = {"unit": claim.unit, "job": job, "token": 9, "step": AttemptStep.DONE, "at": START, "worker": "w9"}
    with pytest.raises(StoreError, match="(?i)unique"):
        store.database.write(lambda tx: tx.conn.execute(attempts.insert(), line))


def gather(store: Store, worker: str, claims: list[Claim], errors: list[BaseException]) -> None:
    try:
        while (claim := store.claim(worker)) is not None:
            claims.append(claim)
            store.finish(claim)
    except BaseException as error:
        errors.append(error)


def test_eight_threads_get_each_unit_once(store: Store) -> None:
    numbers = [
        submit(store, stack=f"stack {k}", units=(*surveys(5), one(UnitKind.DELIVER))) for k in range(8)
    ]
    claims: list[Claim] = []
    errors: list[BaseException] = []
    threads = [threading.Thread(target=gather, args=(store, f"w{k}", claims, errors)) for k in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # A thread leaves when it finds nothing, which may be while others finish a stage.
    gather(store, "last", claims, errors)
    assert errors == []
    assert len(claims) == 48
    assert len({claim.unit for claim in claims}) == 48
    assert {claim.token for claim in claims} == {1}
    assert {store.job(job).state for job in numbers} == {JobState.DONE}


def claimant(url: str, checkout: Path, *words: str) -> subprocess.Popen[str]:
    """A process of its own that claims; see `claimants`."""
    return subprocess.Popen(
        [sys.executable, "-m", "tests.worker.jobs.claimants", url, *words],
        cwd=checkout,
        env=os.environ | {"PYTHONWARNINGS": "error"},
        stdout=subprocess.PIPE,
        text=True,
    )


def test_four_processes_get_each_unit_once(url: str, checkout: Path) -> None:
    store = open_store(url)
    for k in range(6):
        store.submit(submission(stack=f"stack {k}", units=surveys(10, weight=1.0)), who="tester")
    process = claimant(url, checkout, "take", "4", "15")
    lines = process.communicate()[0].splitlines()
    assert process.returncode == 0
    assert [len(line.split()) for line in lines] == [15] * 4
    assert len({unit for line in lines for unit in line.split()}) == 60
    with store.database.engine.connect() as conn:
        tokens = conn.execute(sa.text("SELECT DISTINCT token FROM units")).scalars().all()
    assert tokens == [1]


def test_a_claimant_killed_in_the_middle_loses_its_unit_to_another(url: str, checkout: Path) -> None:
    store = open_store(url, rules=Rules(lease=0.5))
    job = store.submit(submission(units=(*surveys(1), one(UnitKind.DELIVER))), who="tester").job
    process = claimant(url, checkout, "hold", "0.5")
    assert process.stdout is not None
    unit = int(process.stdout.readline())
    process.send_signal(signal.SIGKILL)
    process.communicate()
    claim = None
    while claim is None:
        claim = store.claim("w2")
    assert (claim.unit, claim.token, claim.attempt) == (unit, 2, 2)
    store.finish(claim)
    store.finish(must_claim(store, "w2"))
    assert store.job(job).state is JobState.DONE
    steps = [(a.step, a.worker, a.token) for a in store.attempts(job) if a.unit == unit]
    assert steps == [
        (AttemptStep.STARTED, "w1", 1),
        (AttemptStep.LOST, "w1", 1),
        (AttemptStep.STARTED, "w2", 2),
        (AttemptStep.DONE, "w2", 2),
    ]


def test_the_last_two_of_a_stage_may_finish_at_the_same_moment(store: Store) -> None:
    """Each sees the other's unit as held; were they not made to take turns, nobody would begin the next stage."""
    submit(store, units=(*surveys(2, weight=0.0), one(UnitKind.DELIVER, weight=0.0)))
    first, second = must_claim(store, "w1"), must_claim(store, "w2")
    finished, leave = threading.Event(), threading.Event()

    def slow(tx: Tx) -> None:
        work.finish(tx, first, Outcome())
        finished.set()
        leave.wait(60)

    threads = [
        threading.Thread(target=store.database.write, args=(slow,)),
        threading.Thread(target=lambda: finished.wait(60) and store.finish(second)),
    ]
    for thread in threads:
        thread.start()
    assert finished.wait(60)
    threads[1].join(0.3)
    leave.set()
    for thread in threads:
        thread.join()
    assert must_claim(store).kind is UnitKind.DELIVER
