"""What is removed after its time, and what never is."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from nearfar.errors import NotFound
from nearfar.jobs import Forgotten, JobState, Outcome, Store
from nearfar.jobs.model import attempts, frames, units
from tests.worker.jobs.making import START, Clock, bring_to, must_claim, submission, submit, work_off


@pytest.mark.parametrize("state", JobState)
def test_only_jobs_that_ended_before_are_removed(store: Store, clock: Clock, state: JobState) -> None:
    job = submit(store)
    if state is not JobState.WAITING:
        bring_to(store, job, state)
    ended = state in {JobState.DONE, JobState.FAILED, JobState.CANCELLED}
    assert store.forget(before=START, who="keeper") == ()
    clock.forward(100)
    gone = store.forget(before=START + 1, who="keeper")
    assert [forgotten.job for forgotten in gone] == ([job] if ended else [])
    if not ended:
        assert store.job(job).state is state
        return
    with pytest.raises(NotFound, match="removed after its time of keeping"):
        store.job(job)
    with store.database.engine.connect() as conn:
        for table in (frames, units, attempts):
            assert conn.scalar(sa.select(sa.func.count()).select_from(table)) == 0


def test_the_answer_says_which_results_have_no_job_any_longer(store: Store, clock: Clock) -> None:
    job = submit(store)
    for _ in range(2):
        store.finish(must_claim(store))
    store.finish(must_claim(store), Outcome(job_result="moss/moss.tif"))
    assert store.job(job).result == "moss/moss.tif"
    clock.forward(1)
    assert store.forget(before=clock.now, who="keeper") == (
        Forgotten(job=job, stack="moss", state=JobState.DONE, result="moss/moss.tif"),
    )
    assert (store.events()[-1].action, store.events()[-1].detail) == ("jobs.forgotten", {"jobs": [job]})
    assert store.events(job=job)[0].action == "job.submitted", "the trail outlives the job"


def test_a_job_that_a_worker_still_has_a_unit_of_is_kept(store: Store, clock: Clock) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.cancel(job, who="lena")
    clock.forward(1)
    assert store.forget(before=clock.now, who="keeper") == ()
    store.hand_back(claim)
    assert len(store.forget(before=clock.now, who="keeper")) == 1
    assert store.at_rest(job)


def test_numbers_are_not_given_twice(store: Store, clock: Clock) -> None:
    first = submit(store)
    old = [claim.unit for claim in work_off(store)]
    clock.forward(1)
    store.forget(before=clock.now, who="keeper")
    second = submit(store)
    assert second > first
    assert min(unit.id for unit in store.units(second)) > max(old)


def test_a_job_stays_as_long_as_one_that_was_made_from_it(store: Store, clock: Clock) -> None:
    first = submit(store)
    store.cancel(first, who="lena")
    clock.forward(1)
    second = store.submit_again(first, submission(recipe="fine"), who="lena").job
    assert store.forget(before=clock.now, who="keeper") == ()
    assert store.job(second).again_of == first
    store.cancel(second, who="lena")
    clock.forward(1)
    gone = [store.forget(before=clock.now, who="keeper") for _ in range(3)]
    assert [[each.job for each in batch] for batch in gone] == [[second], [first], []]


def test_sums_outlive_the_jobs(store: Store, clock: Clock) -> None:
    submit(store)
    claim = must_claim(store)
    clock.forward(3)
    store.finish(claim, Outcome(counts={"pixels": 9.0}))
    work_off(store)
    before = store.figures()
    clock.forward(1)
    store.forget(before=clock.now, who="keeper")
    after = store.figures()
    assert (after.unit_seconds, after.jobs_ended) == ({"survey": 3.0, "deliver": 0.0}, {"done": 1.0})
    assert (after.counted, after.units_ended) == (before.counted, before.units_ended)


def test_the_trail_and_workers_that_are_gone_have_a_time_of_their_own(store: Store, clock: Clock) -> None:
    for worker in ("w1", "w2"):
        store.register(worker, host="bench", pid=1, version="0.2.0", slots=1, memory=1, disk=1)
    store.leave("w1")
    clock.forward(50)
    submit(store)
    assert store.forget_trail(before=START + 10) == 3
    assert [event.action for event in store.events()] == ["job.submitted"]
    assert [worker.id for worker in store.workers()] == ["w2"]
