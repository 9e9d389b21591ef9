"""How jobs come in: what is kept of them, the same key, the same set, plans in parts, and running again."""

from __future__ import annotations

import os
import threading
from typing import Any

import pytest

from nearfar.errors import IllegalTransition, KeyReused, LostClaim, NotFound, StoreError, UsageError
from nearfar.jobs import (
    Duplicates,
    FrameEntry,
    FrameNote,
    FrameState,
    JobState,
    Outcome,
    Store,
    Submitted,
    UnitKind,
    UnitPlan,
    UnitState,
    Wish,
)
from tests.worker.jobs.making import (
    START,
    Clock,
    bring_to,
    must_claim,
    one,
    submission,
    submit,
    surveys,
    work_off,
)


def test_all_of_a_submission_is_kept(store: Store) -> None:
    given = submission(
        settings={"halo": 0.5, "memory": "2GiB"},
        priority=3,
        digest="ab12",
        weights={"survey": 8.0, "deliver": 2.0},
    )
    assert store.submit(given, who="lena") == Submitted(job=1, new=True)
    job = store.job(1)
    assert (job.stack, job.owner, job.recipe, job.sources) == ("moss", "studio", "standard", ("/inbox/moss",))
    assert (job.settings, job.priority, job.digest) == ({"halo": 0.5, "memory": "2GiB"}, 3, "ab12")
    assert job.weights == {"survey": 8.0, "deliver": 2.0}
    assert (job.state, job.progress, job.run) == (JobState.WAITING, 0.0, 1)
    assert (job.created, job.updated, job.started, job.finished) == (START, START, None, None)
    assert store.frames(1) == given.frames
    assert [(u.kind, u.start, u.stop, u.state) for u in store.units(1)] == [
        (UnitKind.SURVEY, 0, 4, UnitState.READY),
        (UnitKind.SURVEY, 4, 8, UnitState.READY),
        (UnitKind.DELIVER, 0, 1, UnitState.WAITING),
    ]
    assert [(e.who, e.action, e.at) for e in store.events(job=1)] == [("lena", "job.submitted", START)]
    assert job.log_context() == {"job": 1, "stack": "moss", "owner": "studio", "state": "waiting"}


@pytest.mark.parametrize(
    "name",
    [
        "with\nnewline.tif",
        "with 'quotes\" and \\.tif",
        "de\u0301composed.tif",
        "%_like.tif",
        "🪲.tif",
        os.fsdecode(b"latin-\xe9.tif"),
    ],
)
def test_names_of_any_kind_come_back_as_they_were(store: Store, name: str) -> None:
    path = f"/inbox/moss/{name}"
    job = submit(store, frames=(FrameEntry(path=path),), sources=(path,), stack=name)
    assert store.frames(job)[0].path == path
    assert store.job(job).sources == (path,)
    assert os.fsencode(store.frames(job)[0].path) == os.fsencode(path)


def test_text_that_no_database_takes_is_kept_readable(store: Store) -> None:
    job = submit(store, stack=os.fsdecode(b"caf\xe9") + "\0")
    assert store.job(job).stack == "caf\\udce9\\x00"


def test_a_set_that_cannot_be_worked_on_is_on_record_with_its_reason(store: Store) -> None:
    job = submit(store, units=(), refused=("too few", "found one frame; expected two or more"))
    assert (store.job(job).state, store.job(job).cause) == (JobState.FAILED, "too few")
    assert store.job(job).reason == "found one frame; expected two or more"
    assert store.job(job).finished == START
    assert store.figures().failures == {"too few": 1.0}
    with pytest.raises(StoreError, match="has no units to run again"):
        store.run_again(job, who="tester")
    assert store.job(job).state is JobState.FAILED


@pytest.mark.parametrize("hold", [None, "12 of 40 frames are here"])
def test_a_job_without_units_would_wait_for_ever(store: Store, hold: str | None) -> None:
    if hold is None:
        with pytest.raises(StoreError, match="found no units, so the job would wait for ever"):
            submit(store, units=())
        return
    job = submit(store, units=(), hold=hold)
    assert (store.job(job).state, store.job(job).reason) == (JobState.HELD, hold)
    with pytest.raises(StoreError, match=f"job {job} has no units yet"):
        store.release(job, who="tester")
    assert store.job(job).state is JobState.HELD


def test_held_and_refused_contradict_each_other(store: Store) -> None:
    with pytest.raises(UsageError, match="either held or refused"):
        submit(store, hold="upload", refused=("x", "y"))


def test_an_upload_begins_when_its_set_is_complete(store: Store) -> None:
    frames = tuple(FrameEntry(path=f"/uploads/{k}.tif", state=FrameState.EXPECTED) for k in range(2))
    job = submit(store, units=(), frames=frames, hold="0 of 2 frames are here")
    for k in range(2):
        store.note_frames(
            job, [FrameNote(position=k, state=FrameState.PRESENT, size=900 + k, digest=f"d{k}")]
        )
    assert [(f.state, f.size, f.digest) for f in store.frames(job)] == [
        (FrameState.PRESENT, 900, "d0"),
        (FrameState.PRESENT, 901, "d1"),
    ]
    store.plan(job, (*surveys(1, weight=6.0), one(UnitKind.DELIVER, weight=2.0)), who="intake")
    assert store.claim("w1") is None
    store.release(job, who="intake")
    assert (store.job(job).state, store.job(job).reason) == (JobState.WAITING, None)
    assert store.job(job).weights == {"survey": 6.0, "deliver": 2.0}
    assert len(work_off(store)) == 2
    assert store.job(job).state is JobState.DONE


def test_a_waiting_job_may_be_given_more_units(store: Store) -> None:
    job = submit(store, units=surveys(1))
    store.plan(job, (UnitPlan(kind=UnitKind.SURVEY, start=4, stop=6), one(UnitKind.DELIVER)), who="intake")
    assert len(work_off(store)) == 3


@pytest.mark.parametrize("state", [JobState.RUNNING, JobState.DONE, JobState.FAILED, JobState.CANCELLED])
def test_a_job_that_was_begun_is_not_planned_again(store: Store, state: JobState) -> None:
    job = submit(store)
    bring_to(store, job, state)
    with pytest.raises(IllegalTransition, match=f"job {job} is {state} and cannot be planned"):
        store.plan(job, surveys(1), who="intake")


def test_frames_that_are_not_there_are_named(store: Store) -> None:
    job = submit(store)
    with pytest.raises(NotFound, match=f"job {job} has no frame at place 8"):
        store.note_frames(job, [FrameNote(position=8, state=FrameState.USED)])


def test_a_worker_s_word_on_frames_is_kept_with_its_unit(store: Store) -> None:
    job = submit(store)
    notes = (
        FrameNote(position=0, state=FrameState.USED, digest="aa"),
        FrameNote(position=3, state=FrameState.LEFT_OUT, reason="a hand before the lens"),
    )
    store.finish(must_claim(store), Outcome(frames=notes))
    frames = store.frames(job)
    assert (frames[0].state, frames[0].digest, frames[0].size) == (FrameState.USED, "aa", 1000)
    assert (frames[3].state, frames[3].reason) == (FrameState.LEFT_OUT, "a hand before the lens")
    assert frames[1].state is FrameState.PRESENT


def test_the_same_key_and_submission_give_the_same_job(store: Store) -> None:
    first = store.submit(submission(key="k1"), who="lena")
    assert store.submit(submission(key="k1"), who="lena") == Submitted(job=first.job, new=False)
    assert store.submit(submission(key="k2"), who="lena").new
    assert store.submit(submission(key="k1", owner="lab"), who="omar").new, "keys belong to their owner"


@pytest.mark.parametrize(
    "change", [{"recipe": "fine"}, {"settings": {"halo": 1}}, {"frames": ()}, {"priority": 1}, {"stack": "x"}]
)
def test_the_same_key_with_another_submission_is_refused(store: Store, change: dict[str, Any]) -> None:
    store.submit(submission(key="k1"), who="lena")
    with pytest.raises(KeyReused, match="'k1' came before with another submission, which made job 1"):
        store.submit(submission(key="k1", **change), who="lena")


def test_what_tells_submissions_apart_may_be_given(store: Store) -> None:
    assert store.known(owner="studio", key="k1", fingerprint="f1") is None
    first = store.submit(submission(key="k1", fingerprint="f1"), who="lena").job
    assert store.known(owner="studio", key="k1", fingerprint="f1") == first
    assert store.known(owner="lab", key="k1", fingerprint="f1") is None
    grown = submission(key="k1", fingerprint="f1", stack="grown")
    assert store.submit(grown, who="lena") == Submitted(job=first, new=False)
    with pytest.raises(KeyReused):
        store.known(owner="studio", key="k1", fingerprint="f2")
    with pytest.raises(KeyReused):
        store.submit(submission(key="k1", fingerprint="f2"), who="lena")


def test_a_key_holds_after_the_job_ended(store: Store) -> None:
    job = store.submit(submission(key="k1"), who="lena").job
    work_off(store)
    assert store.submit(submission(key="k1"), who="lena") == Submitted(job=job, new=False)


@pytest.mark.parametrize("state", JobState)
def test_the_same_set_is_skipped_unless_its_job_came_to_nothing(store: Store, state: JobState) -> None:
    first = submit(store, digest="d1")
    if state is not JobState.WAITING:
        bring_to(store, first, state)
    again = store.submit(submission(digest="d1", duplicates=Duplicates.SKIP), who="inbox")
    assert again.new == (state in {JobState.FAILED, JobState.CANCELLED})
    assert (again.job == first) != again.new


def test_the_same_set_is_merged_again_where_that_is_the_policy(store: Store) -> None:
    first = submit(store, digest="d1")
    assert store.submit(submission(digest="d1", duplicates=Duplicates.AGAIN), who="inbox").new
    assert not store.submit(submission(digest="d1", duplicates=Duplicates.SKIP), who="inbox").new
    assert store.submit(submission(digest="d2", duplicates=Duplicates.SKIP), who="inbox").new
    other = store.submit(submission(digest="d1", duplicates=Duplicates.SKIP, owner="lab"), who="inbox")
    assert other.new
    assert other.job != first, "what one owner has says nothing about another's"


@pytest.mark.parametrize("same", [{"key": "k1"}, {"digest": "d1", "duplicates": Duplicates.SKIP}])
def test_submissions_at_the_same_moment_make_one_job(store: Store, same: dict[str, Any]) -> None:
    answers: list[Submitted] = []
    barrier = threading.Barrier(6)

    def go() -> None:
        barrier.wait()
        answers.append(store.submit(submission(**same), who="lena"))

    threads = [threading.Thread(target=go) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answer.new for answer in answers) == [False] * 5 + [True]
    assert len({answer.job for answer in answers}) == 1


@pytest.mark.parametrize("state", [JobState.FAILED, JobState.CANCELLED])
def test_a_job_that_came_to_nothing_runs_again_from_its_first_units(store: Store, state: JobState) -> None:
    job = submit(store)
    store.finish(must_claim(store), Outcome(then=(one(UnitKind.RENDER),)))
    bring_to(store, job, state)
    store.run_again(job, who="lena")
    again = store.job(job)
    assert (again.state, again.run, again.progress) == (JobState.WAITING, 2, 0.0)
    assert (again.cause, again.reason, again.finished) == (None, None, None)
    assert [(u.kind, u.state, u.attempts) for u in store.units(job)] == [
        (UnitKind.SURVEY, UnitState.READY, 0),
        (UnitKind.SURVEY, UnitState.READY, 0),
        (UnitKind.DELIVER, UnitState.WAITING, 0),
    ]
    assert len(store.units(job, run=1)) == 4
    work_off(store)
    assert store.job(job).state is JobState.DONE


@pytest.mark.parametrize("state", [JobState.WAITING, JobState.RUNNING, JobState.HELD, JobState.DONE])
def test_other_jobs_do_not_run_again(store: Store, state: JobState) -> None:
    job = submit(store)
    if state is not JobState.WAITING:
        bring_to(store, job, state)
    with pytest.raises(IllegalTransition, match=f"job {job} is {state} and cannot be run again"):
        store.run_again(job, who="lena")


def test_a_worker_of_an_earlier_run_is_not_wanted_in_the_next(store: Store) -> None:
    job = submit(store)
    old, failing = must_claim(store, "w1"), must_claim(store, "w2")
    store.fail(failing, cause="frame", reason="broken", retry=False)
    store.run_again(job, who="lena")
    assert store.wish(old) is Wish.DROP
    with pytest.raises(LostClaim, match="no longer wants it"):
        store.finish(old, Outcome(counts={"pixels": 1.0}))
    assert store.figures().counted == {}
    assert len(work_off(store)) == 3
    assert store.job(job).state is JobState.DONE


def test_another_recipe_makes_a_job_of_its_own_that_knows_where_it_came_from(
    store: Store, clock: Clock
) -> None:
    first = submit(store)
    work_off(store)
    clock.forward(60)
    second = store.submit_again(first, submission(recipe="fine", key="k9"), who="lena")
    assert store.submit_again(first, submission(recipe="fine", key="k9"), who="lena") == Submitted(
        job=second.job, new=False
    )
    job = store.job(second.job)
    assert (job.again_of, job.recipe, job.state) == (first, "fine", JobState.WAITING)
    assert store.job(first).state is JobState.DONE
    with pytest.raises(NotFound, match="no job 77"):
        store.submit_again(77, submission(), who="lena")
