"""What is carried from and to object storage, kept in the store, so that a restart loses and doubles nothing.

`Transfers.take` gives one out for a time, which `beat` renews; who does not is taken to be gone, and what it still writes
counts no longer: every write shows the count of tries.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.errors import IllegalTransition, LostClaim
from nearfar.jobs import control, events, moves, submit
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import jobs, server
from nearfar.jobs.records import Row, Submission, Submitted, fields_of
from nearfar.jobs.states import JOB_MOVES, JobState
from nearfar.jobs.store import Store
from nearfar.jobs.transfers.tables import transfers

LEASE = 60.0
"""Seconds for which a carrier may be silent."""
SINCE = "deliver"
"""Name under which the server keeps the target of results and its date."""
MOST = 100
HOUR = 3600.0
WHO = "server"
DUE = (transfers.c.state == sa.literal_column("'waiting'"), transfers.c.due <= sa.bindparam("now"))
"""The condition as the index on what waits has it."""


class Kind(StrEnum):
    """Which way."""

    FETCH = "fetch"
    DELIVER = "deliver"


@dataclass(frozen=True, kw_only=True)
class Transfer:
    """Frames that are to be fetched, or a result that is to be put."""

    id: int
    job: int
    kind: Kind
    place: str
    """``s3://bucket/prefix/``; of a result that was put, its folder."""
    state: str
    """waiting, done, failed, dropped (nobody wants it any longer)."""
    detail: Mapping[str, Any]
    tries: int
    due: float
    reason: str | None
    created: float
    finished: float | None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `transfers.tables.transfers`."""
        return cls(**fields_of(cls, row, kind=Kind(row.kind)))


class Transfers:
    """Those of an open store. Every method is one transaction and may raise `StoreUnreachable`."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._db = store.database

    def submit(self, made: Submission, *, place: str, detail: Mapping[str, Any], who: str) -> Submitted:
        """Record a job whose frames are fetched from ``place``; raises as `Store.submit`."""

        def write(tx: Tx) -> Submitted:
            found = submit.submit(tx, made, who=who)
            if found.new:
                _add(tx, [found.job], Kind.FETCH, place, detail)
            return found

        return self._db.write(write)

    def want(self, place: str) -> int:
        """Let every result be put to ``place`` whose job was done since that was first asked for; how many are new."""
        return self._db.write(lambda tx: _want(tx, place))

    def deliver_again(self, job: int, place: str, *, who: str) -> None:
        """Put the result of a job, once more if it was put before; one that is on its way continues.

        Raises
        ------
        NotFound, IllegalTransition
            There is no such job, or it has no result.
        """
        self._db.write(lambda tx: _again(tx, job, place, who))

    def take(self, kind: Kind) -> Transfer | None:
        """Take a transfer that is due, for the length of a lease; None if there is none."""
        query = sa.select(transfers.c.id).where(transfers.c.kind == kind, *DUE)
        if self._db.read(lambda tx: tx.conn.scalar(query.limit(1), {"now": tx.now})) is None:
            return None
        return self._db.write(lambda tx: _take(tx, kind))

    def beat(self, taken: Transfer, detail: Mapping[str, Any] | None = None) -> None:
        """Renew the lease, and write down what was begun. Raises `LostClaim`."""

        def write(tx: Tx) -> None:
            _wanted(tx, taken)
            more = {} if detail is None else {"detail": dict(detail)}
            _change(tx, taken, due=tx.now + LEASE, **more)

        self._db.write(write)

    def done(self, taken: Transfer, *, place: str | None = None) -> None:
        """Record that all of a transfer has arrived. Raises `LostClaim`."""

        def write(tx: Tx) -> None:
            where = place or taken.place
            _change(tx, taken, state="done", finished=tx.now, place=where, reason=None, detail={})
            word = "job.fetched" if taken.kind is Kind.FETCH else "result.delivered"
            events.record(tx, word, who=WHO, job=taken.job, detail={"place": where, "tries": taken.tries})

        self._db.write(write)

    def later(self, taken: Transfer, reason: str | None, rest: float) -> None:
        """It did not work, or was stopped; to be tried again after a rest (s). Raises `LostClaim`."""
        said = None if reason is None else reason[:1000]
        self._db.write(lambda tx: _change(tx, taken, due=tx.now + rest, reason=said))

    def give_up(self, taken: Transfer, reason: str, *, cause: str) -> None:
        """It never will work; a job whose frames do not come fails. Raises `LostClaim`."""

        def write(tx: Tx) -> None:
            if taken.kind is Kind.FETCH:
                control.refuse(tx, taken.job, cause=cause, reason=reason, who=WHO)
            _change(tx, taken, state="failed", finished=tx.now, reason=reason[:1000])
            if taken.kind is Kind.DELIVER:
                events.record(tx, "result.not-delivered", who=WHO, job=taken.job, detail={"reason": reason})

        self._db.write(write)

    def of_jobs(self, numbers: Sequence[int]) -> Mapping[int, tuple[Transfer, ...]]:
        """Those of each of these jobs; for lists."""
        query = sa.select(transfers).where(transfers.c.job.in_(numbers)).order_by(transfers.c.id)
        found: dict[int, list[Transfer]] = {number: [] for number in numbers}
        for row in self._db.read(lambda tx: tx.conn.execute(query).all()):
            found[row.job].append(Transfer.from_row(row))
        return {number: tuple(each) for number, each in found.items()}

    def fetched_from(self, place: str) -> Transfer | None:
        """The last one of frames from that place."""
        query = sa.select(transfers).where(transfers.c.place == place, transfers.c.kind == Kind.FETCH)
        row = self._db.read(
            lambda tx: tx.conn.execute(query.order_by(transfers.c.id.desc()).limit(1)).first()
        )
        return None if row is None else Transfer.from_row(row)

    def open(self, job: int) -> bool:
        """Whether something of a job is still to be carried."""
        query = sa.select(transfers.c.id).where(transfers.c.job == job, transfers.c.state == "waiting")
        return self._db.read(lambda tx: tx.conn.scalar(query.limit(1))) is not None


def _add(tx: Tx, numbers: Sequence[int], kind: Kind, place: str, detail: Mapping[str, Any]) -> int:
    rows = [
        {
            "job": number,
            "kind": kind,
            "place": place,
            "state": "waiting",
            "detail": dict(detail),
            "due": tx.now,
            "created": tx.now,
        }
        for number in numbers
    ]
    if not rows:
        return 0
    insert = postgresql.insert(transfers) if tx.postgresql else sqlite.insert(transfers)
    made = insert.values(rows).on_conflict_do_nothing().returning(transfers.c.id)
    return len(tx.conn.execute(made).all())


def _want(tx: Tx, place: str) -> int:
    row = tx.conn.execute(sa.select(server).where(server.c.name == SINCE)).first()
    if row is None or row.value != place:
        insert = postgresql.insert(server) if tx.postgresql else sqlite.insert(server)
        new = {"value": place, "changed": tx.now, "who": WHO}
        tx.conn.execute(
            insert.values(name=SINCE, **new).on_conflict_do_update(index_elements=["name"], set_=new)
        )
        return 0
    there = sa.select(transfers.c.id).where(transfers.c.job == jobs.c.id, transfers.c.kind == Kind.DELIVER)
    query = (
        sa.select(jobs.c.id)
        .where(
            jobs.c.state == JobState.DONE,
            jobs.c.result.is_not(None),
            jobs.c.finished >= row.changed,
            ~there.exists(),
        )
        .order_by(jobs.c.finished)
        .limit(MOST)
    )
    found = list(tx.conn.scalars(query))
    if len(found) < MOST and tx.now - row.changed > HOUR:  # so that old jobs need not be looked at for ever
        seen = sa.update(server).where(server.c.name == SINCE)
        tx.conn.execute(seen.values(changed=tx.now - HOUR / 2))
    return _add(tx, found, Kind.DELIVER, place, {})


def _again(tx: Tx, job: int, place: str, who: str) -> None:
    row = moves.lock_job(tx, job)
    state = JobState(row.state)
    if state is not JobState.DONE or row.result is None:
        raise IllegalTransition(f"job {job}", state=state, wanted="delivered", possible=JOB_MOVES[state])
    if not _add(tx, [job], Kind.DELIVER, place, {}):
        own = (transfers.c.job == job, transfers.c.kind == Kind.DELIVER, transfers.c.state != "waiting")
        new = {
            "state": "waiting",
            "place": place,
            "due": tx.now,
            "reason": None,
            "finished": None,
            "detail": {},
        }
        tx.conn.execute(sa.update(transfers).where(*own).values(**new))
    events.record(tx, "result.deliver", who=who, job=job, detail={"place": place})


def _take(tx: Tx, kind: Kind) -> Transfer | None:
    if kind is Kind.FETCH:
        held = sa.select(jobs.c.id).where(jobs.c.state == JobState.HELD)
        unwanted = sa.update(transfers).where(*DUE, transfers.c.kind == kind, transfers.c.job.not_in(held))
        tx.conn.execute(unwanted.values(state="dropped", finished=tx.now), {"now": tx.now})
    pick = (
        sa.select(transfers.c.id)
        .where(*DUE, transfers.c.kind == kind)
        .order_by(transfers.c.due, transfers.c.id)
        .limit(1)
        .with_for_update(skip_locked=True, of=transfers)
    )
    row = tx.conn.execute(
        sa.update(transfers)
        .where(transfers.c.id == pick.scalar_subquery())
        .values(tries=transfers.c.tries + 1, due=tx.now + LEASE)
        .returning(transfers),
        {"now": tx.now},
    ).first()
    return None if row is None else Transfer.from_row(row)


def _wanted(tx: Tx, taken: Transfer) -> None:
    """Raise `LostClaim` if the frames are no longer wanted."""
    state = tx.conn.scalar(sa.select(jobs.c.state).where(jobs.c.id == taken.job))
    if state is None or (taken.kind is Kind.FETCH and state != JobState.HELD):
        raise LostClaim(f"transfer {taken.id}: job {taken.job} is {state or 'gone'}")


def _change(tx: Tx, taken: Transfer, **values: Any) -> None:
    own = (transfers.c.id == taken.id, transfers.c.tries == taken.tries, transfers.c.state == "waiting")
    if tx.conn.execute(sa.update(transfers).where(*own).values(**values)).rowcount == 0:
        raise LostClaim(f"transfer {taken.id} of job {taken.job} belongs to another process now")
