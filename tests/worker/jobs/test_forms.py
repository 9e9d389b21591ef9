"""Workers of unlike versions on one store: a unit goes only to who understands it; memory that is known places it."""

from __future__ import annotations

import sqlalchemy as sa

from nearfar.jobs import Outcome, Store, UnitKind, UnitState
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import units, workers
from nearfar.jobs.order import Room
from nearfar.jobs.records import FORM, UnitPlan
from tests.worker.jobs.making import DELIVER, must_claim, one, submission, submit, surveys


def register(store: Store, name: str, memory: int = 1 << 30) -> None:
    store.register(name, host="bench", pid=1, version="1", slots=1, memory=memory, disk=1 << 30)


def test_a_unit_of_a_newer_form_is_left_to_newer_workers(store: Store) -> None:
    job = submit(store, units=(*surveys(1, form=FORM + 1), one(UnitKind.DELIVER)))
    assert store.claim("w1") is None
    other = submit(store, stack="plain")
    assert must_claim(store).job == other
    newer = Room(worker="w2", memory=None, disk=None, forms=(FORM, FORM + 1))

    def claim(tx: Tx) -> int | None:
        from nearfar.jobs import claims

        found = claims.claim(tx, newer)
        return None if found is None else found.job

    taken = {store.database.write(claim) for _ in range(2)}
    assert job in taken


def test_an_expired_unit_of_a_newer_form_is_not_taken_over(store: Store, clock: object) -> None:
    submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    claim = must_claim(store)
    with store.database.engine.begin() as conn:
        conn.execute(sa.update(units).where(units.c.id == claim.unit).values(form=FORM + 1))
    clock.forward(61)  # type: ignore[attr-defined]
    assert store.claim("w2") is None


def test_units_that_no_living_worker_understands_are_told_of(store: Store) -> None:
    job = submit(store, units=(*surveys(1, form=FORM + 1), one(UnitKind.DELIVER)))
    register(store, "old")
    assert [(unit.job, unit.form) for unit in store.too_large()] == [(job, FORM + 1)]
    register(store, "new")
    with store.database.engine.begin() as conn:
        conn.execute(sa.update(workers).where(workers.c.id == "new").values(form=FORM + 1))
    assert store.too_large() == ()


def test_running_again_keeps_the_form_of_the_units(store: Store) -> None:
    job = submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    with store.database.engine.begin() as conn:
        conn.execute(sa.update(units).where(units.c.job == job).values(form=FORM + 1))
    store.cancel(job, who="lena")
    store.run_again(job, who="lena")
    assert {unit.form for unit in store.units(job)} == {FORM + 1}


def test_a_key_finds_its_job_whatever_form_the_units_have(store: Store) -> None:
    first = store.submit(submission(key="k"), who="lena")
    other = (UnitPlan(kind=UnitKind.SURVEY, start=4 * k, stop=4 * k + 4, form=FORM + 1) for k in range(2))
    again = store.submit(
        submission(key="k", units=(*other, one(UnitKind.DELIVER, form=FORM + 1))), who="lena"
    )
    assert (again.job, again.new) == (first.job, False)


def test_a_unit_that_needs_more_memory_than_was_known_goes_where_there_is_enough(
    store: Store, clock: object
) -> None:
    submit(store, units=(*surveys(1), one(UnitKind.DELIVER)))
    claim = must_claim(store, "small", memory=1 << 20)
    assert store.fail(claim, cause="room", reason="too little", memory=1 << 30) is UnitState.READY
    clock.forward(3600)  # type: ignore[attr-defined]
    assert store.claim("small", memory=1 << 20) is None
    assert must_claim(store, "large", memory=1 << 30).unit == claim.unit


def test_what_the_first_look_finds_out_places_all_that_follows(store: Store) -> None:
    submit(store, units=surveys(3))
    first, second = must_claim(store, "w1"), must_claim(store, "w2")
    store.finish(first, Outcome(then=DELIVER.then, least=1 << 20))
    store.finish(second)
    assert store.claim("small", memory=1 << 10) is None
    assert must_claim(store, "large", memory=1 << 20).kind is UnitKind.SURVEY
    held = [unit.memory for unit in store.units(first.job) if unit.id == second.unit]
    assert held == [0], "what was begun stays as it was"


def test_a_worker_stays_with_the_job_whose_frames_it_has(store: Store) -> None:
    first = submit(store, units=(*surveys(4), one(UnitKind.DELIVER)))
    second = submit(store, stack="second", units=(*surveys(4), one(UnitKind.DELIVER)))
    assert must_claim(store, "w1", near=0).job == first
    assert must_claim(store, "w2", near=0).job == second, "one that nobody began"
    assert must_claim(store, "w2", near=second).job == second
    assert must_claim(store, "w3", near=0).job == first, "all are begun: the order holds"
    assert must_claim(store, "w4").job == first, "who sees all frames keeps to the order"


def test_staying_lets_nothing_wait_that_is_due_much_earlier(store: Store, clock: object) -> None:
    long = submit(store, units=(*surveys(4, weight=2000.0), one(UnitKind.DELIVER)))
    assert must_claim(store, "w1", near=0).job == long
    clock.forward(30)  # type: ignore[attr-defined]
    short = submit(store, stack="short", units=(*surveys(1, weight=1.0), one(UnitKind.DELIVER)))
    store.beat(must_claim(store, "w2", near=0), progress=0.1)
    assert store.job(short).state == "running"
    again = submit(store, stack="urgent", priority=1, units=(*surveys(1, weight=1.0), one(UnitKind.DELIVER)))
    assert must_claim(store, "w1", near=long).job == again
