"""The token: whoever lost its unit can write nothing any more. And that it is the token that sees to this."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import pytest
import sqlalchemy as sa

from nearfar.errors import LostClaim
from nearfar.jobs import Claim, JobState, Outcome, Store, UnitKind, UnitState, Wish, work
from nearfar.jobs.model import units
from tests.worker.jobs.making import START, Clock, must_claim, one, submit, surveys, work_off

WRITES: dict[str, Callable[[Store, Claim], object]] = {
    "beat": lambda store, claim: store.beat(claim, progress=0.9),
    "finish": lambda store, claim: store.finish(claim, Outcome(result={"by": claim.worker})),
    "fail": lambda store, claim: store.fail(claim, cause="disk", reason="read error"),
    "fail for good": lambda store, claim: store.fail(claim, cause="disk", reason="gone", retry=False),
    "hand back": lambda store, claim: store.hand_back(claim),
}


def overtaken(store: Store, clock: Clock) -> tuple[Claim, Claim]:
    """A worker freezes for longer than its lease; another one takes its unit over."""
    submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    old = must_claim(store, "frozen")
    clock.forward(60.1)
    new = must_claim(store, "fresh")
    assert (new.unit, new.token) == (old.unit, old.token + 1)
    return old, new


def kept(store: Store, claim: Claim) -> dict[str, object]:
    """All that a write about a unit could change."""
    with store.database.engine.connect() as conn:
        unit = conn.execute(sa.select(units).where(units.c.id == claim.unit)).one()
    return {
        "unit": unit._asdict(),
        "job": store.job(claim.job),
        "attempts": store.attempts(claim.job),
        "events": store.events(),
        "figures": store.figures(),
    }


@pytest.mark.parametrize("write", WRITES)
def test_the_old_token_writes_nothing(store: Store, clock: Clock, write: str) -> None:
    old, new = overtaken(store, clock)
    before = kept(store, old)
    with pytest.raises(LostClaim, match=r"fresh got it with token 2, this one has 1; drop the work"):
        WRITES[write](store, old)
    assert kept(store, old) == before
    assert store.finish(new, Outcome(result={"by": "fresh"})) is JobState.RUNNING


@pytest.mark.parametrize("write", WRITES)
def test_without_the_token_it_would_write(
    store: Store, clock: Clock, write: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control: take the token out of the fence, and every one of the writes gets through."""
    old, _ = overtaken(store, clock)
    before = kept(store, old)
    monkeypatch.setattr(
        work, "mine", lambda claim: sa.and_(units.c.id == claim.unit, units.c.state == UnitState.HELD)
    )
    WRITES[write](store, old)
    assert kept(store, old) != before


def test_without_the_token_the_wrong_result_would_be_the_one_that_counts(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def result(old: Claim, new: Claim) -> object:
        for claim in (old, new):
            with suppress(LostClaim):
                store.finish(claim, Outcome(result={"file": f"survey.{claim.token}"}))
        unit = next(unit for unit in store.units(new.job) if unit.id == new.unit)
        return unit.token, unit.result

    assert result(*overtaken(store, clock)) == (2, {"file": "survey.2"})
    work_off(store)
    monkeypatch.setattr(
        work, "mine", lambda claim: sa.and_(units.c.id == claim.unit, units.c.state == UnitState.HELD)
    )
    assert result(*overtaken(store, clock)) == (2, {"file": "survey.1"})


def test_a_token_is_never_given_twice(store: Store, clock: Clock) -> None:
    submit(store, units=surveys(1))
    tokens: list[int] = []
    for ending in ("hand back", "fail", "lease"):
        claim = must_claim(store, f"w{len(tokens)}")
        tokens.append(claim.token)
        if ending == "lease":
            clock.forward(61)
        else:
            WRITES[ending](store, claim)
        clock.forward(20)
    tokens.append(must_claim(store, "last").token)
    assert tokens == [1, 2, 3, 4]


@pytest.mark.parametrize("write", WRITES)
def test_a_unit_that_ended_takes_no_further_word(store: Store, write: str) -> None:
    submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    claim = must_claim(store)
    store.fail(claim, cause="frame", reason="broken", retry=False)
    with pytest.raises(LostClaim, match="it is failed; drop the work"):
        WRITES[write](store, claim)


def test_a_lease_that_ran_out_unnoticed_is_renewed(store: Store, clock: Clock) -> None:
    submit(store)
    claim = must_claim(store)
    clock.forward(300)
    assert store.beat(claim, progress=0.5) is Wish.GO_ON
    assert store.reap().ready == 0
    assert must_claim(store, "w2").unit != claim.unit


def test_beats_keep_a_unit_until_its_deadline_and_no_longer(store: Store, clock: Clock) -> None:
    job = submit(store, units=surveys(1, limit=100.0))
    claim = must_claim(store)
    for _ in range(9):
        clock.forward(10)
        store.beat(claim, progress=0.1)
    clock.forward(10)
    with pytest.raises(LostClaim, match="its time of 100 s is up"):
        store.beat(claim, progress=0.2)
    assert store.units(job)[0].lease_until == START + 150
    clock.forward(51)
    assert store.reap().ready == 1
    assert (store.units(job)[0].cause, store.units(job)[0].reason) == (
        "deadline",
        "not done within 100 s, which is its time",
    )


def test_a_unit_may_finish_past_its_deadline_while_nobody_else_has_it(store: Store, clock: Clock) -> None:
    submit(store, units=(*surveys(1, limit=10.0), one(UnitKind.DELIVER)))
    claim = must_claim(store)
    clock.forward(30)
    assert store.finish(claim) is JobState.RUNNING


def test_a_job_that_was_removed_has_no_claims(store: Store, clock: Clock) -> None:
    job = submit(store)
    claim = must_claim(store)
    store.cancel(job, who="tester")
    store.hand_back(claim)
    clock.forward(10)
    assert [gone.job for gone in store.forget(before=clock.now, who="tester")] == [job]
    for write in WRITES.values():
        with pytest.raises(LostClaim, match="drop the work"):
            write(store, claim)
    with pytest.raises(LostClaim, match="gone with its job"):
        store.wish(claim)
