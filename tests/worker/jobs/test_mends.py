"""Mends in the store: kept with who and when, carried out by one at a time, and never lost."""

from __future__ import annotations

from typing import Any

import pytest

from nearfar.errors import IllegalTransition, LostClaim, NotFound, StoreError
from nearfar.jobs import JobState, MendClaim, MendState, Outcome, Store, UnitKind
from nearfar.jobs.mends import mends
from tests.worker.jobs.making import START, Clock, must_claim, one, submit

NOTE: dict[str, Any] = {"motivation": "editing", "body": {"value": "smooth", "purpose": "editing"}}


def delivered(store: Store) -> int:
    """A job that is done."""
    job = submit(store, units=(one(UnitKind.DELIVER),))
    claim = must_claim(store)
    assert store.finish(claim, Outcome(job_result="/results/moss/moss.tif")) is JobState.DONE
    return job


def must_take(store: Store, worker: str = "m1") -> MendClaim:
    claim = store.claim_mending(worker)
    assert claim is not None
    return claim


def actions(store: Store, job: int) -> list[tuple[str, str]]:
    return [(e.action, e.who) for e in store.events(job=job) if "mend" in e.action]


def test_a_mend_is_kept_with_who_and_when_and_counts_until_it_is_undone(store: Store, clock: Clock) -> None:
    job = delivered(store)
    assert store.mending([job])[job].state is MendState.NONE
    clock.forward(5)
    made = store.add_mend(job, NOTE, who="ada")
    assert (made.number, made.who, made.made, made.undone) == (1, "ada", START + 5, None)
    assert made.annotation == NOTE
    second = store.add_mend(job, NOTE, who="ben")
    clock.forward(5)
    undone = store.undo_mend(job, 1, who="eve")
    assert (undone.undone, undone.undone_by) == (START + 10, "eve")
    assert [m.number for m in store.mends(job)] == [1, second.number] == [1, 2]
    assert (store.mending([job])[job].count, store.mending([job])[job].state) == (1, MendState.WORKING)
    assert store.redo_mend(job, 1, who="ada").undone is None
    assert store.mending([job])[job].count == 2
    assert actions(store, job) == [
        ("mend.added", "ada"),
        ("mend.added", "ben"),
        ("mend.undone", "eve"),
        ("mend.redone", "ada"),
    ]


def test_undoing_twice_changes_nothing_more(store: Store) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    store.undo_mend(job, 1, who="ben")
    assert store.undo_mend(job, 1, who="eve").undone_by == "ben"
    store.redo_mend(job, 1, who="ada")
    store.redo_mend(job, 1, who="ada")
    assert len(actions(store, job)) == 3


def test_only_a_picture_can_be_mended(store: Store) -> None:
    job = submit(store)
    with pytest.raises(IllegalTransition, match="mended"):
        store.add_mend(job, NOTE, who="ada")
    with pytest.raises(NotFound):
        store.add_mend(job + 7, NOTE, who="ada")
    with pytest.raises(NotFound, match="has no mend 3"):
        store.undo_mend(delivered(store), 3, who="ada")


def test_a_picture_may_have_so_many_mends_and_no_more(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mends, "MOST", 2)
    job = delivered(store)
    for _ in range(2):
        store.add_mend(job, NOTE, who="ada")
    with pytest.raises(StoreError, match="undo some"):
        store.add_mend(job, NOTE, who="ada")
    store.undo_mend(job, 1, who="ada")
    assert store.add_mend(job, NOTE, who="ada").number == 3


def test_one_at_a_time_carries_them_out_and_takes_all_that_are_wanted(store: Store) -> None:
    job = delivered(store)
    assert not store.mends_wait()
    assert store.claim_mending("m1") is None
    store.add_mend(job, NOTE, who="ada")
    store.add_mend(job, NOTE, who="ada")
    assert store.mends_wait()
    claim = must_take(store)
    assert (claim.job, claim.wanted, claim.attempt) == (job, 2, 1)
    assert store.claim_mending("m2") is None
    store.finish_mending(claim, detail={"version": 2}, seconds=0.5)
    assert store.mending([job])[job].state is MendState.SHOWN
    assert store.claim_mending("m2") is None
    told = [e for e in store.events(job=job) if e.action == "mended"]
    assert [dict(e.detail) for e in told] == [{"version": 2}]
    store.undo_mend(job, 1, who="ada")
    store.undo_mend(job, 2, who="ada")
    store.finish_mending(must_take(store), detail={}, seconds=0.5)
    assert store.mending([job])[job].state is MendState.NONE


def test_what_is_wanted_meanwhile_is_carried_out_next(store: Store) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    claim = must_take(store)
    store.add_mend(job, NOTE, who="ada")
    assert store.claim_mending("m2") is None, "one picture is written by one at a time"
    store.finish_mending(claim, detail={}, seconds=0.1)
    assert store.mending([job])[job].state is MendState.WORKING
    assert must_take(store).wanted == 2


def test_a_job_is_told_of_as_changed(store: Store, clock: Clock) -> None:
    job = delivered(store)
    clock.forward(10)
    store.add_mend(job, NOTE, who="ada")
    assert store.job(job).updated == START + 10
    clock.forward(10)
    store.finish_mending(must_take(store), detail={}, seconds=0.1)
    assert store.job(job).updated == START + 20


def test_who_fell_silent_loses_them_and_can_write_nothing(store: Store, clock: Clock) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    first = must_take(store, "m1")
    clock.forward(mends.LEASE - 1)
    store.beat_mending(first)
    clock.forward(mends.LEASE - 1)
    assert store.claim_mending("m2") is None
    clock.forward(2)
    second = must_take(store, "m2")
    assert second.token > first.token
    with pytest.raises(LostClaim):
        store.beat_mending(first)
    with pytest.raises(LostClaim):
        store.finish_mending(first, detail={}, seconds=1.0)
    with pytest.raises(LostClaim):
        store.fail_mending(first, cause="x", reason="y")
    with pytest.raises(LostClaim):
        store.hand_back_mending(first)
    store.finish_mending(second, detail={}, seconds=1.0)


def test_the_dead_are_let_go_of_at_once(store: Store) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    must_take(store, "m1")
    assert store.release_mending() == 1
    assert must_take(store, "m2").attempt == 2


def test_what_kills_whoever_works_on_it_is_given_up_and_told_why(store: Store, clock: Clock) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    for _ in range(3):
        must_take(store)
        clock.forward(mends.LEASE + 1)
    assert store.claim_mending("m1") is None
    found = store.mending([job])[job]
    assert found.state is MendState.FAILED
    assert "vanished, 3 times" in str(found.reason)
    store.undo_mend(job, 1, who="ada")
    assert must_take(store).attempt == 1, "another wish is another try"


def test_a_failure_is_tried_again_later_and_then_told(store: Store, clock: Clock) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    for rest in (5, 10):
        store.fail_mending(must_take(store), cause="disk", reason="no room")
        assert store.claim_mending("m1") is None
        clock.forward(rest)
    store.fail_mending(must_take(store), cause="disk", reason="no room")
    assert store.mending([job])[job].reason == "no room"
    other = delivered(store)
    store.add_mend(other, NOTE, who="ada")
    store.fail_mending(must_take(store), cause="input", reason="the frame is gone", retry=False)
    assert store.mending([other])[other].state is MendState.FAILED


def test_handing_back_is_not_counted(store: Store) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    for _ in range(5):
        claim = must_take(store)
        assert claim.attempt == 1
        store.hand_back_mending(claim)


def test_mends_go_with_their_job(store: Store, clock: Clock) -> None:
    job = delivered(store)
    store.add_mend(job, NOTE, who="ada")
    claim = must_take(store)
    clock.forward(100)
    assert [gone.job for gone in store.forget(before=clock.now, who="server")] == [job]
    assert store.mends(job) == ()
    with pytest.raises(LostClaim):
        store.finish_mending(claim, detail={}, seconds=1.0)
