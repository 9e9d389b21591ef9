"""Mends of delivered pictures: what people want where, and how far the picture shows it.

A mend is never removed: undoing it leaves the row, with who and when. Every change counts up what is wanted of a job's
picture; whoever carries it out takes all of it at once, under a lease and a token, as with units. Mends have a line of
their own beside the units, since a person waits for them while long units run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from nearfar.errors import IllegalTransition, LostClaim, NotFound, StoreError
from nearfar.jobs import events, moves, totals
from nearfar.jobs.engine import Tx
from nearfar.jobs.mends.records import Mend, MendClaim, Mending, MendState
from nearfar.jobs.model import jobs, mending, mends
from nearfar.jobs.records import Row
from nearfar.jobs.states import JOB_MOVES, JobState

LEASE = 30.0
"""Seconds for which the process that carries out mends may be silent."""
MOST = 500
"""Mends that one picture may have in force."""
WAITING, HELD, SHOWN, FAILED = "waiting", "held", "shown", "failed"
"""Words of `mending.state`: wanted by nobody's hands yet; under a lease; the picture shows it; given up."""
TOLD = {WAITING: MendState.WORKING, HELD: MendState.WORKING, SHOWN: MendState.SHOWN, FAILED: MendState.FAILED}


def add(tx: Tx, job: int, annotation: Mapping[str, Any], *, who: str) -> Mend:
    """Put a mend on record and want it carried out.

    Raises
    ------
    NotFound, IllegalTransition
        There is no such job, or it has no picture.
    StoreError
        The picture has as many as it may.
    """
    _with_picture(tx, job)
    own = mends.c.job == job
    count, last = tx.conn.execute(
        sa.select(
            sa.func.count().filter(mends.c.undone.is_(None)), sa.func.coalesce(sa.func.max(mends.c.number), 0)
        ).where(own)
    ).one()
    if count >= MOST:
        raise StoreError(
            f"the picture of job {job} has {count} mends in force, the most that it may have; undo some first"
        )
    row = {"job": job, "number": last + 1, "annotation": dict(annotation), "who": who, "made": tx.now}
    made = tx.conn.execute(mends.insert().returning(mends), row).one()
    _want(tx, job, "mend.added", number=last + 1, who=who)
    totals.add(tx, {("counted", "mends_added"): 1.0})
    return Mend.from_row(made)


def set_undone(tx: Tx, job: int, number: int, *, undone: bool, who: str) -> Mend:
    """Take a mend back, or put it in force again; nothing happens if it is so already. Raises `NotFound`."""
    _with_picture(tx, job)
    which = (mends.c.job == job, mends.c.number == number)
    row = tx.conn.execute(sa.select(mends).where(*which)).first()
    if row is None:
        raise NotFound(f"job {job} has no mend {number}")
    if (row.undone is not None) == undone:
        return Mend.from_row(row)
    values = {"undone": tx.now if undone else None, "undone_by": who if undone else None}
    changed = tx.conn.execute(sa.update(mends).where(*which).values(**values).returning(mends)).one()
    _want(tx, job, "mend.undone" if undone else "mend.redone", number=number, who=who)
    return Mend.from_row(changed)


def _with_picture(tx: Tx, job: int) -> Row:
    row = moves.lock_job(tx, job)
    state = JobState(row.state)
    if state is not JobState.DONE or row.result is None:
        raise IllegalTransition(f"job {job}", state=state, wanted="mended", possible=JOB_MOVES[state])
    return row


def _want(tx: Tx, job: int, action: str, *, number: int, who: str) -> None:
    """Count the change. Mends of the job that are being carried out continue, and are taken once more afterwards."""
    events.record(tx, action, who=who, job=job, detail={"mend": number})
    tx.conn.execute(sa.update(jobs).where(jobs.c.id == job).values(updated=tx.now))
    fresh = {"attempts": 0, "not_before": 0.0, "cause": None, "reason": None, "changed": tx.now}
    state = sa.case((mending.c.state == HELD, HELD), else_=WAITING)
    changed = tx.conn.execute(
        sa.update(mending)
        .where(mending.c.job == job)
        .values(state=state, wanted=mending.c.wanted + 1, **fresh)
    )
    if changed.rowcount == 0:
        tx.conn.execute(mending.insert(), {"job": job, "state": WAITING, "wanted": 1, **fresh})


# Questions


def of_job(tx: Tx, job: int) -> tuple[Mend, ...]:
    """All mends of a job, those undone as well, in the order in which they were made."""
    rows = tx.conn.execute(sa.select(mends).where(mends.c.job == job).order_by(mends.c.number))
    return tuple(Mend.from_row(row) for row in rows)


def standings(tx: Tx, numbers: Sequence[int]) -> Mapping[int, Mending]:
    """How the mends of each of these jobs stand."""
    counted = (
        sa.select(mends.c.job, sa.func.count().label("count"))
        .where(mends.c.job.in_(numbers), mends.c.undone.is_(None))
        .group_by(mends.c.job)
    )
    counts = {row.job: int(row[1]) for row in tx.conn.execute(counted)}
    rows = tx.conn.execute(sa.select(mending).where(mending.c.job.in_(numbers)))
    found = {row.job: _standing(row, counts.get(row.job, 0)) for row in rows}
    return {number: found.get(number, Mending()) for number in numbers}


def _standing(row: Row, count: int) -> Mending:
    state = TOLD[row.state]
    if state is MendState.SHOWN and count == 0:
        state = MendState.NONE
    return Mending(count=count, state=state, reason=row.reason if state is MendState.FAILED else None)


def waiting(tx: Tx) -> bool:
    """Whether there is something that could be taken now; only reads."""
    return tx.conn.scalar(_open(tx)) is not None


# Those who carry them out


def _open(tx: Tx) -> sa.Select[int]:
    ready = sa.and_(mending.c.state == sa.literal_column("'waiting'"), mending.c.not_before <= tx.now)
    lost = sa.and_(mending.c.state == sa.literal_column("'held'"), mending.c.lease_until < tx.now)
    return sa.select(mending.c.job).where(sa.or_(ready, lost)).order_by(mending.c.changed).limit(1)


def claim(tx: Tx, worker: str) -> MendClaim | None:
    """Give a worker the job whose mends have waited longest; None if there is none."""
    over = (
        mending.c.state == HELD,
        mending.c.lease_until < tx.now,
        mending.c.attempts >= tx.rules.attempts,
    )
    for row in tx.conn.execute(sa.select(mending).where(*over).with_for_update(skip_locked=True)).all():
        reason = f"whoever worked on it vanished, {row.attempts} times; undo the last mend, or do it again"
        _give_up(tx, row.job, cause="lost", reason=reason)
    pick = _open(tx).with_for_update(skip_locked=True)
    taken = tx.conn.execute(
        sa.update(mending)
        .where(mending.c.job == pick.scalar_subquery())
        .values(
            state=HELD,
            token=mending.c.token + 1,
            attempts=mending.c.attempts + 1,
            worker=worker,
            lease_until=tx.now + LEASE,
        )
        .returning(mending)
    ).first()
    return None if taken is None else MendClaim.from_row(taken)


def _mine(claim: MendClaim) -> sa.ColumnElement[bool]:
    """The fence: true of the row only while this very claim holds it."""
    return sa.and_(mending.c.job == claim.job, mending.c.token == claim.token, mending.c.state == HELD)


def _held(tx: Tx, claim: MendClaim) -> Row:
    """Lock the job, then the row of its mends, which is this claim's. Raises `LostClaim`."""
    try:
        moves.lock_job(tx, claim.job)
    except NotFound as error:
        raise LostClaim(f"mends of job {claim.job}: the job is gone; drop the work") from error
    row = tx.conn.execute(sa.select(mending).where(_mine(claim)).with_for_update()).first()
    if row is None:
        raise LostClaim(f"mends of job {claim.job}: somebody else has them now; drop the work")
    return row


def beat(tx: Tx, claim: MendClaim) -> None:
    """Renew the lease. Raises `LostClaim`."""
    changed = tx.conn.execute(sa.update(mending).where(_mine(claim)).values(lease_until=tx.now + LEASE))
    if changed.rowcount == 0:
        raise LostClaim(f"mends of job {claim.job}: somebody else has them now; drop the work")


def finish(tx: Tx, claim: MendClaim, detail: Mapping[str, Any], seconds: float) -> None:
    """The picture shows what was wanted when it was taken. Raises `LostClaim`."""
    row = _held(tx, claim)
    over = row.wanted == claim.wanted
    _set(tx, claim, state=SHOWN if over else WAITING, shown=claim.wanted, attempts=0, cause=None, reason=None)
    tx.conn.execute(sa.update(jobs).where(jobs.c.id == claim.job).values(updated=tx.now))
    events.record(tx, "mended", who="server", job=claim.job, detail=detail)
    totals.add(tx, {("counted", "mends_shown"): 1.0, ("counted", "mend_seconds"): seconds})


def fail(tx: Tx, claim: MendClaim, *, cause: str, reason: str, retry: bool) -> None:
    """It did not work; it is tried again after a rest, up to a number of times. Raises `LostClaim`."""
    row = _held(tx, claim)
    if row.wanted > claim.wanted:  # something else is wanted by now, which may do
        _set(tx, claim, state=WAITING, attempts=0)
    elif retry and row.attempts < tx.rules.attempts:
        rest = tx.rules.retry_after * 2 ** (row.attempts - 1)
        _set(tx, claim, state=WAITING, not_before=tx.now + rest, cause=cause, reason=reason)
    else:
        _give_up(tx, claim.job, cause=cause, reason=reason)


def _give_up(tx: Tx, job: int, *, cause: str, reason: str) -> None:
    values = {"state": FAILED, "worker": None, "lease_until": None, "cause": cause, "reason": reason}
    tx.conn.execute(sa.update(mending).where(mending.c.job == job).values(**values))
    tx.conn.execute(sa.update(jobs).where(jobs.c.id == job).values(updated=tx.now))
    events.record(tx, "mend.failed", who="server", job=job, detail={"cause": cause, "reason": reason})
    totals.add(tx, {("counted", "mends_failed"): 1.0})


def hand_back(tx: Tx, claim: MendClaim) -> None:
    """Return it unfinished and uncounted. Raises `LostClaim`."""
    row = _held(tx, claim)
    _set(tx, claim, state=WAITING, attempts=max(0, row.attempts - 1))


def _set(tx: Tx, claim: MendClaim, **values: Any) -> None:
    free = {"worker": None, "lease_until": None}
    tx.conn.execute(sa.update(mending).where(_mine(claim)).values(**free, **values))


def release(tx: Tx) -> int:
    """Release what is held, by processes that are known to be dead; their attempts count. How many jobs' mends."""
    free = sa.update(mending).where(mending.c.state == HELD).values(lease_until=tx.now - 1.0)
    return tx.conn.execute(free).rowcount
