"""Every change is whole: let its N-th statement fail, for every N, or its commit, and the store is as it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from nearfar.errors import StoreUnreachable
from nearfar.jobs import (
    Claim,
    FrameNote,
    FrameState,
    JobState,
    Outcome,
    Store,
    UnitKind,
)
from nearfar.jobs.model import metadata
from tests.worker.jobs.making import must_claim, one, submission, submit, surveys

Before = Callable[[Store], Claim | None]
Change = Callable[[Store, Claim], object]


def nothing(store: Store) -> None:
    """A store without jobs."""


def waiting(store: Store) -> None:
    submit(store)


def claimed(store: Store) -> Claim:
    submit(store)
    return must_claim(store)


def fallen(store: Store) -> None:
    store.fail(claimed(store), cause="frame", reason="broken", retry=False)


OUTCOME = Outcome(
    then=(one(UnitKind.RENDER),),
    frames=(FrameNote(position=1, state=FrameState.USED),),
    counts={"pixels": 4.0},
    weights={"survey": 2.0, "render": 9.0},
    result={"file": "a.1"},
)
CHANGES: dict[str, tuple[Before, Change]] = {
    "submit": (nothing, lambda store, _: store.submit(submission(key="k1"), who="lena")),
    "claim": (waiting, lambda store, _: store.claim("w1")),
    "beat": (claimed, lambda store, claim: store.beat(claim, progress=0.5)),
    "finish": (claimed, lambda store, claim: store.finish(claim, OUTCOME)),
    "fail": (claimed, lambda store, claim: store.fail(claim, cause="disk", reason="read error")),
    "give up": (claimed, lambda store, claim: store.fail(claim, cause="disk", reason="gone", retry=False)),
    "hand back": (claimed, lambda store, claim: store.hand_back(claim)),
    "cancel": (claimed, lambda store, _: store.cancel(1, who="lena")),
    "hold": (claimed, lambda store, _: store.hold(1, who="lena")),
    "run again": (fallen, lambda store, _: store.run_again(1, who="lena")),
}


def everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    with store.database.engine.connect().execution_options(reads=True) as conn:
        return {
            table.name: [tuple(row) for row in conn.execute(sa.select(table).order_by(*table.primary_key))]
            for table in metadata.sorted_tables
        }


class Broken(Exception):
    """What the driver says in these tests."""


@contextmanager
def failing_at(store: Store, number: int) -> Iterator[list[str]]:
    """Let the statement with this number fail, counted over the block; 0: let the first commit fail."""
    seen: list[str] = []

    def fail() -> None:
        raise sa.exc.OperationalError("", {}, Broken("the cable was pulled"))

    def statement(conn: object, cursor: object, text: str, *rest: object) -> None:
        seen.append(text)
        if len(seen) == number:
            fail()

    def commit(conn: object) -> None:
        fail()

    engine = store.database.engine
    name, listener = ("before_cursor_execute", statement) if number else ("commit", commit)
    sa.event.listen(engine, name, listener)
    try:
        yield seen
    finally:
        sa.event.remove(engine, name, listener)


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_that_fails_anywhere_leaves_no_trace(store: Store, change: str) -> None:
    prepare, make = CHANGES[change]
    claim = prepare(store)
    before = everything(store)
    number = 0
    while True:
        with failing_at(store, number) as seen:
            try:
                make(store, claim)  # type: ignore[arg-type]
                break
            except StoreUnreachable:
                pass  # as it must: nothing may have changed, which is seen below
        assert everything(store) == before, f"after statement {number}: {seen[-1:]}"
        number += 1
    assert number > 3
    assert everything(store) != before


def test_a_lost_worker_is_released_however_often_that_is_interrupted(store: Store) -> None:
    """Several transactions: each is whole, and the next round does what was left."""
    submit(store, units=(*surveys(3), one(UnitKind.DELIVER)))
    for _ in range(3):
        must_claim(store, "w1")
    number = 0
    while True:
        with failing_at(store, number):
            try:
                store.worker_lost("w1", cause="killed", reason="signal 9", who="supervisor")
                break
            except StoreUnreachable:
                number += 1
        lost = [attempt.unit for attempt in store.attempts(1) if attempt.step == "lost"]
        assert len(lost) == len(set(lost))
    assert sorted(unit.attempts for unit in store.units(1)) == [0, 1, 1, 1]
    assert store.figures().units_held == 0
    assert store.job(1).state is JobState.RUNNING
