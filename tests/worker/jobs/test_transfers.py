"""What is carried is given out once at a time, comes back from who is gone, and ends in a word that stays."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nearfar.errors import IllegalTransition, LostClaim
from nearfar.jobs import FrameEntry, FrameState, JobState, Store, Transfers
from nearfar.jobs.transfers.transfers import LEASE, Kind
from tests.worker.jobs.making import Clock, bring_to, submission, submit

PLACE = "s3://shoots/cards/moss/"
TO = "s3://shoots/merged/"


def fetched(store: Store, **changes: object) -> int:
    """A job whose frames are to be fetched."""
    frames = tuple(FrameEntry(path=f"{k}.tif", size=10, state=FrameState.EXPECTED) for k in range(2))
    made = submission(units=(), frames=frames, hold="not all of its 2 frames are here", **changes)
    detail = {"objects": [["cards/moss/0.tif", '"a"'], ["cards/moss/1.tif", '"b"']]}
    return Transfers(store).submit(made, place=PLACE, detail=detail, who="tester").job


def test_one_is_given_out_to_one_at_a_time_and_again_after_its_lease(store: Store, clock: Clock) -> None:
    transfers = Transfers(store)
    job = fetched(store)
    taken = transfers.take(Kind.FETCH)
    assert taken is not None
    assert (taken.job, taken.place, taken.tries) == (job, PLACE, 1)
    assert list(taken.detail["objects"][1]) == ["cards/moss/1.tif", '"b"']
    assert transfers.take(Kind.FETCH) is None
    clock.forward(LEASE - 1)
    transfers.beat(taken)
    clock.forward(LEASE - 1)
    assert transfers.take(Kind.FETCH) is None
    clock.forward(2)
    other = transfers.take(Kind.FETCH)
    assert other is not None
    assert other.tries == 2
    for write in (transfers.beat, transfers.done, lambda it: transfers.give_up(it, "late", cause="objects")):
        with pytest.raises(LostClaim):
            write(taken)
    transfers.done(other)
    assert transfers.take(Kind.FETCH) is None
    assert store.job(job).state is JobState.HELD, "the one who was late changed nothing"


def test_a_submission_that_comes_again_is_fetched_once(store: Store) -> None:
    assert fetched(store, key="k") == fetched(store, key="k")
    assert len(Transfers(store).of_jobs([1])[1]) == 1


def test_a_job_that_nobody_wants_any_longer_is_not_fetched(store: Store, clock: Clock) -> None:
    transfers = Transfers(store)
    job = fetched(store)
    taken = transfers.take(Kind.FETCH)
    assert taken is not None
    store.cancel(job, who="lena")
    with pytest.raises(LostClaim, match="cancelled"):
        transfers.beat(taken)
    clock.forward(LEASE)
    assert transfers.take(Kind.FETCH) is None
    (left,) = transfers.of_jobs([job])[job]
    assert left.state == "dropped"


def test_frames_that_never_come_end_their_job_with_the_reason(store: Store) -> None:
    transfers = Transfers(store)
    job = fetched(store)
    taken = transfers.take(Kind.FETCH)
    assert taken is not None
    transfers.give_up(taken, "1.tif is gone", cause="input")
    found = store.job(job)
    assert (found.state, found.cause, found.reason) == (JobState.FAILED, "input", "1.tif is gone")


def test_it_rests_after_a_failure(store: Store, clock: Clock) -> None:
    transfers = Transfers(store)
    job = fetched(store)
    taken = transfers.take(Kind.FETCH)
    assert taken is not None
    transfers.later(taken, "does not answer", 15.0)
    assert transfers.take(Kind.FETCH) is None
    assert transfers.of_jobs([job])[job][0].reason == "does not answer"
    clock.forward(15)
    assert transfers.take(Kind.FETCH) is not None


def done(store: Store, clock: Clock) -> int:
    """A job with a result."""
    clock.forward(1)
    job = submit(store)
    bring_to(store, job, JobState.DONE)
    with store.database.engine.begin() as conn:
        conn.exec_driver_sql(f"UPDATE jobs SET result = '/results/moss/moss.tif' WHERE id = {job}")
    return job


def test_results_are_wanted_since_that_was_first_asked_for_and_once(store: Store, clock: Clock) -> None:
    transfers = Transfers(store)
    done(store, clock)
    clock.forward(1)
    assert transfers.want(TO) == 0
    later = done(store, clock)
    submit(store)
    assert [transfers.want(TO), transfers.want(TO)] == [1, 0]
    taken = transfers.take(Kind.DELIVER)
    assert taken is not None
    assert (taken.job, taken.place) == (later, TO)
    assert transfers.take(Kind.DELIVER) is None
    assert transfers.open(later)
    transfers.done(taken, place=f"{TO}moss/")
    assert not transfers.open(later)
    assert transfers.of_jobs([later])[later][0].place == f"{TO}moss/"
    clock.forward(3 * 3600)
    assert transfers.want(TO) == 0
    newest = done(store, clock)
    clock.forward(1900)
    assert [transfers.want(TO), transfers.want(TO)] == [1, 0], "also after old ones are no longer looked at"
    assert transfers.open(newest)
    clock.forward(1)
    assert transfers.want("s3://shoots/other/") == 0, "what went elsewhere stays there"
    assert [event.action for event in store.events(job=later)][-1] == "result.delivered"


def test_a_person_may_have_a_result_put_again_and_one_from_before(store: Store, clock: Clock) -> None:
    transfers = Transfers(store)
    before = done(store, clock)
    for _ in range(2):
        transfers.deliver_again(before, TO, who="lena")
        taken = transfers.take(Kind.DELIVER)
        assert taken is not None
        transfers.deliver_again(before, TO, who="lena")
        assert transfers.take(Kind.DELIVER) is None, "it is on its way"
        transfers.give_up(taken, "no right", cause="objects")
    assert store.job(before).state is JobState.DONE
    waiting = submit(store)
    with pytest.raises(IllegalTransition):
        transfers.deliver_again(waiting, TO, who="lena")


def test_what_was_begun_is_known_to_whoever_comes_after(store: Store, clock: Clock) -> None:
    transfers = Transfers(store)
    done(store, clock)
    transfers.deliver_again(1, TO, who="lena")
    taken = transfers.take(Kind.DELIVER)
    assert taken is not None
    transfers.beat(taken, {"open": ["merged/moss/moss.tif", "upload 7"]})
    clock.forward(LEASE)
    other = transfers.take(Kind.DELIVER)
    assert other is not None
    assert other.detail == {"open": ["merged/moss/moss.tif", "upload 7"]}
    assert replace(other, tries=1, detail={}, due=0.0) == replace(taken, due=0.0)
