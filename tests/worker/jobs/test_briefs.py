"""What lists show of jobs beyond their rows, against what each job says alone."""

from __future__ import annotations

from collections import Counter

from nearfar.jobs import FrameNote, FrameState, JobState, Outcome, Store, UnitKind
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
