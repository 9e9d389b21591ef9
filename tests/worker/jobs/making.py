"""Stores, submissions and workers for the tests, in a small studio that photographs moss and beetles."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from nearfar.jobs import (
    Claim,
    FrameEntry,
    JobState,
    Outcome,
    Rules,
    Store,
    Submission,
    UnitKind,
    UnitPlan,
    open_store,
)
from nearfar.jobs.model import metadata

START = 1_800_000_000.0


class Clock:
    """A clock that only moves when a test moves it."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> float:
        return self.now

    def forward(self, seconds: float) -> None:
        self.now += seconds


def emptied(url: str) -> str:
    """The address of a store, from which everything was removed."""
    store = open_store(url, host="anyone", rules=Rules(host_silence=0.0))
    counted = ("jobs", "units", "attempts", "events")
    with store.database.engine.begin() as conn:
        for table in reversed(metadata.sorted_tables):
            conn.execute(sa.delete(table))
        if conn.dialect.name == "sqlite":
            conn.exec_driver_sql("DELETE FROM sqlite_sequence")
        else:
            conn.exec_driver_sql("; ".join(f"ALTER TABLE {table} ALTER id RESTART" for table in counted))
    return url


def surveys(count: int, **changes: Any) -> tuple[UnitPlan, ...]:
    """Units of four frames each."""
    return tuple(UnitPlan(kind=UnitKind.SURVEY, start=4 * k, stop=4 * k + 4, **changes) for k in range(count))


def one(kind: UnitKind, **changes: Any) -> UnitPlan:
    return UnitPlan(kind=kind, **changes)


def submission(**changes: Any) -> Submission:
    """A stack of eight frames: two units of survey, then one of deliver."""
    values: dict[str, Any] = {
        "stack": "moss",
        "owner": "studio",
        "recipe": "standard",
        "sources": ("/inbox/moss",),
        "frames": tuple(FrameEntry(path=f"/inbox/moss/{k:02d}.tif", size=1000 + k) for k in range(8)),
        "units": (*surveys(2), one(UnitKind.DELIVER)),
    }
    return Submission(**values | changes)


def submit(store: Store, **changes: Any) -> int:
    return store.submit(submission(**changes), who="tester").job


def must_claim(store: Store, worker: str = "w1", **room: int) -> Claim:
    claim = store.claim(worker, **room)
    assert claim is not None
    return claim


def work_off(store: Store, worker: str = "w1") -> list[Claim]:
    """Finish all units of all jobs; returns them in the order in which they were given out."""
    done = []
    while (claim := store.claim(worker)) is not None:
        store.finish(claim)
        done.append(claim)
    return done


def bring_to(store: Store, job: int, state: JobState) -> None:
    """Bring the only job, which is waiting, to a state, by what people and workers can do."""
    if state is JobState.RUNNING:
        must_claim(store)
    elif state is JobState.HELD:
        store.hold(job, who="tester")
    elif state is JobState.DONE:
        work_off(store)
    elif state is JobState.FAILED:
        store.fail(must_claim(store), cause="frame", reason="00.tif cannot be read", retry=False)
    elif state is JobState.CANCELLED:
        store.cancel(job, who="tester")
    assert store.job(job).state is state


def finished(kinds: list[Claim]) -> list[UnitKind]:
    return [claim.kind for claim in kinds]


DELIVER = Outcome(then=(one(UnitKind.DELIVER),))
