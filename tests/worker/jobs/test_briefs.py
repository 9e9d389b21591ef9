"""What lists show of jobs beyond their rows, against what each job says alone."""

from __future__ import annotations

from collections import Counter

from nearfar.jobs import AttemptStep, FrameNote, FrameState, JobState, Outcome, Store, UnitKind
from tests.worker.jobs.making import bring_to, must_claim, one, submit, surveys, work_off


def test_each_job_tells_how_its_frames_stand_and_what_comes_next(store: Store) -> None:
    done = submit(store, units=(one(UnitKind.DELIVER),))
    work_off(store)
    begun = submit(store, units=surveys(1))
    store.finish(must_claim(store), Outcome(then=(one(UnitKind.REGISTER), one(UnitKind.DELIVER))))
    fresh = submit(store)
    store.note_frames(fresh, [FrameNote(position=3, state=FrameState.REFUSED, reason="is cut off")])
    bare = submit(store, frames=(), units=(), hold="frames are awaited")
    found = store.briefs([done, begun, fresh, bare, 999])
    assert {job: brief.stage for job, brief in found.items()} == {
        done: None,
        begun: UnitKind.REGISTER,
        fresh: UnitKind.SURVEY,
        bare: None,
        999: None,
    }
    for job, brief in found.items():
        alone = Counter(frame.state for frame in store.frames(job)) if job != 999 else Counter()
        assert brief.frames == {state: alone[state] for state in FrameState}
    assert store.briefs([]) == {}


def test_units_of_an_earlier_run_are_not_what_comes_next(store: Store) -> None:
    job = submit(store, units=surveys(1))
    store.finish(must_claim(store), Outcome(then=(one(UnitKind.RENDER), one(UnitKind.DELIVER))))
    bring_to(store, job, JobState.FAILED)
    assert store.briefs([job])[job].stage is None
    store.run_again(job, who="lena")
    assert store.briefs([job])[job].stage is UnitKind.SURVEY


def test_why_a_unit_that_could_be_taken_was_not_done_is_told(store: Store) -> None:
    job = submit(store, units=surveys(1))
    assert store.briefs([job])[job].rests is None
    store.hand_back(must_claim(store), rest=10.0, cause="disk", reason="there is no space")
    assert store.briefs([job])[job].rests == ("disk", "there is no space")
    line = store.attempts(job)[-1]
    assert (line.step, line.cause, line.reason) == (AttemptStep.HANDED_BACK, "disk", "there is no space")
