"""What a worker may write about a unit that it holds. Every write shows the token; without a right one none is kept.

A worker that was frozen, cut off or slow may find that its unit went to another one. It is told by `LostClaim` and
drops the work; the store has kept nothing of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from nearfar.errors import LostClaim, NotFound, StoreError
from nearfar.jobs import claims, events, flags, moves, owners, submit, totals
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import jobs, units
from nearfar.jobs.records import Claim, FrameNote, Row, UnitPlan, Wish
from nearfar.jobs.states import ENDED, AttemptStep, JobState, ServerState, UnitKind, UnitState


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """All that is kept, together, when a unit is done."""

    result: Mapping[str, Any] | None = None
    """Small, as JSON: what the next stage wants to know, e.g. file names with the token."""
    then: Sequence[UnitPlan] = ()
    """Units of later stages; ones that are known are left as they are."""
    weights: Mapping[str, float] | None = None
    """Expected seconds of each stage, now that more is known."""
    frames: Sequence[FrameNote] = ()
    least: int = 0
    """Bytes of memory without which no worker can do what is still to be done of the job."""
    counts: Mapping[str, float] = field(default_factory=dict)
    """What metrics are to sum up, e.g. ``{'pixels': 2.4e8}``."""
    job_result: str | None = None
    """Where the job's result lies; from a `deliver` unit."""


def mine(claim: Claim) -> sa.ColumnElement[bool]:
    """The fence: true of the unit's row only while this very claim holds it."""
    return sa.and_(
        units.c.id == claim.unit, units.c.token == claim.token, units.c.state == sa.literal_column("'held'")
    )


def beat(tx: Tx, claim: Claim, progress: float) -> Wish:
    """Renew the lease, note the progress (0..1), and tell what is wanted.

    Raises
    ------
    LostClaim
        The unit is no longer this worker's, or its time is up.
    """
    job = _job(tx, claim)
    changed = tx.conn.execute(
        sa.update(units)
        .where(mine(claim), units.c.deadline > tx.now)
        .values(lease_until=tx.now + tx.rules.lease, progress=min(1.0, max(0.0, progress)))
    )
    if changed.rowcount == 0:
        raise _lost(tx, claim)
    wish = _wish(tx, claim, job)
    if wish is not Wish.DROP:
        if job.state == JobState.WAITING:
            moves.begin(tx, job)
        note_progress(tx, job)
    return wish


def wish(tx: Tx, claim: Claim) -> Wish:
    """What is wanted of the worker, without renewing anything: cheap enough to be asked every second."""
    if tx.conn.scalar(sa.select(units.c.id).where(mine(claim))) is None:
        raise _lost(tx, claim)
    job = tx.conn.execute(sa.select(jobs.c.run, jobs.c.state).where(jobs.c.id == claim.job)).one()
    return _wish(tx, claim, job)


def _wish(tx: Tx, claim: Claim, job: Row) -> Wish:
    if not moves.wanted(job, claim.run):
        return Wish.DROP
    if job.state == JobState.HELD or flags.server_state(tx) is ServerState.DRAINING:
        return Wish.HAND_BACK
    return Wish.GO_ON


def finish(tx: Tx, claim: Claim, outcome: Outcome) -> JobState | None:
    """Keep what a unit made, and let what follows begin. The job's state then; None: nobody wants it any longer.

    Said again by the same claim, e.g. since the answer was lost, it changes nothing more.

    Raises
    ------
    LostClaim
        The unit is no longer this worker's.
    StoreError
        The plan would end without a `deliver` unit, or adds to a stage that began.
    """
    job = _job(tx, claim)
    if _kept(tx, claim):
        return JobState(job.state)
    if not moves.wanted(job, claim.run):
        _close(tx, claim, UnitState.CANCELLED, AttemptStep.CANCELLED)
        return None
    if job.state == JobState.WAITING:
        moves.begin(tx, job)
        job = moves.lock_job(tx, claim.job)
    row = _close(tx, claim, UnitState.DONE, AttemptStep.DONE, progress=1.0, result=outcome.result)
    submit.note_frames(tx, claim.job, outcome.frames)
    _count(tx, claim, "done", tx.now - row.started, outcome.counts)
    _add_units(tx, claim, job, outcome.then)
    _set_least(tx, claim, outcome.least)
    if outcome.weights is not None:
        submit.set_weights(tx, job, outcome.weights)
        job = moves.lock_job(tx, claim.job)
    if outcome.job_result is not None:
        tx.conn.execute(sa.update(jobs).where(jobs.c.id == job.id).values(result=outcome.job_result))
    note_progress(tx, job)
    state = moves.advance(tx, job)
    if state is JobState.DONE and claim.kind is not UnitKind.DELIVER:
        raise StoreError(
            f"job {job.id}: its last unit is one of {claim.kind}; expected one of deliver. Add the units that follow "
            "with the outcome of the last unit of a stage"
        )
    return state


def _kept(tx: Tx, claim: Claim) -> bool:
    """Whether this very claim finished before, and only the answer was lost on the way."""
    own = (units.c.id == claim.unit, units.c.token == claim.token, units.c.state == UnitState.DONE)
    return tx.conn.scalar(sa.select(units.c.id).where(*own)) is not None


def _add_units(tx: Tx, claim: Claim, job: Row, plans: Sequence[UnitPlan]) -> None:
    for plan in plans:
        if plan.kind.stage <= claim.kind.stage:
            raise StoreError(
                f"job {job.id}: a unit of {claim.kind} cannot add one of {plan.kind}; expected a later stage"
            )
    submit.insert_units(tx, job, plans, planned=False)


def _set_least(tx: Tx, claim: Claim, least: int) -> None:
    """Let units that nobody began go to workers with that much memory alone."""
    if not least:
        return
    begun = units.c.state.not_in((UnitState.WAITING, UnitState.READY))
    own = (units.c.job == claim.job, units.c.run == claim.run, units.c.memory < least)
    tx.conn.execute(sa.update(units).where(*own, sa.not_(begun)).values(memory=least))


def fail(tx: Tx, claim: Claim, *, cause: str, reason: str, retry: bool, memory: int | None) -> UnitState:
    """Record that a unit failed. It is tried again after a rest, unless that is of no use or was done often enough; if it
    turned out to need so much memory, by a worker that has it.

    The state of the unit then; if that is `FAILED`, so is the job, with this cause and reason.
    """
    job = _job(tx, claim)
    if not moves.wanted(job, claim.run):
        _close(tx, claim, UnitState.CANCELLED, AttemptStep.CANCELLED)
        return UnitState.CANCELLED
    row = held_row(tx, claim)
    if memory is not None:
        tx.conn.execute(sa.update(units).where(mine(claim)).values(memory=memory))
    return give_up(
        tx, job, row, AttemptStep.FAILED, cause=cause, reason=reason, retry=retry, who=claim.worker
    )


def give_up(
    tx: Tx, job: Row, row: Row, step: AttemptStep, *, cause: str, reason: str, retry: bool, who: str
) -> UnitState:
    """End an attempt that came to nothing: the unit rests and is ready again, or brings its job down. One that only
    helps does neither.

    ``job`` and ``row`` are rows of the job and the unit, both locked.
    """
    claims.write_step(tx, row, step, seconds=tx.now - row.started, cause=cause, reason=reason)
    only_helps = moves.helps(row)
    again = retry and row.attempts < tx.rules.attempts and not only_helps
    to = UnitState.CANCELLED if only_helps else UnitState.FAILED
    if again:
        to = UnitState.WAITING if job.state == JobState.HELD else UnitState.READY
    rest = min(tx.rules.retry_after * 2 ** (row.attempts - 1), tx.rules.longest_rest) if again else 0.0
    _release(tx, row, to, not_before=tx.now + rest, cause=cause, reason=reason)
    events.record(
        tx,
        "unit.failed" if step is AttemptStep.FAILED else "unit.lost",
        who=who,
        job=row.job,
        unit=row.id,
        detail={"cause": cause, "reason": reason, "attempt": row.attempts, "of": tx.rules.attempts},
    )
    outcome = "failed" if step is AttemptStep.FAILED else "lost"
    totals.add(tx, {("units", f"{row.kind} {outcome}"): 1.0})
    if to is UnitState.FAILED:
        moves.fail_job(tx, job, cause=cause, reason=_given_up(row, reason, retry=retry), who=who, unit=row.id)
    return to


def _given_up(row: Row, reason: str, *, retry: bool) -> str:
    if not retry:
        return reason
    times = "once" if row.attempts == 1 else f"{row.attempts} times"
    return f"{row.kind} {row.start} to {row.stop - 1} was tried {times} and did not succeed; the last time: {reason}"


def hand_back(
    tx: Tx, claim: Claim, *, rest: float, cause: str | None = None, reason: str | None = None
) -> UnitState:
    """Return a unit unfinished and uncounted; others may take it after ``rest`` seconds. Its state then.

    If the job no longer wants it, this ends it: hand it back when its scratch is gone.
    """
    job = _job(tx, claim)
    if not moves.wanted(job, claim.run):
        _close(tx, claim, UnitState.CANCELLED, AttemptStep.CANCELLED)
        return UnitState.CANCELLED
    to = UnitState.WAITING if job.state == JobState.HELD else UnitState.READY
    row = held_row(tx, claim)
    _close(
        tx,
        claim,
        to,
        AttemptStep.HANDED_BACK,
        attempts=row.attempts - 1,
        worker=None,
        progress=0.0,
        not_before=tx.now + min(rest, tx.rules.longest_rest),
        **({"cause": cause, "reason": reason} if cause is not None else {}),
    )
    owners.charge(tx, row.owner, -row.weight)
    return to


def held_row(tx: Tx, claim: Claim) -> Row:
    """The unit's row, locked, by the fence; raises `LostClaim`."""
    row = tx.conn.execute(sa.select(units).where(mine(claim)).with_for_update(key_share=True)).first()
    if row is None:
        raise _lost(tx, claim)
    return row


def _close(tx: Tx, claim: Claim, to: UnitState, step: AttemptStep, **values: Any) -> Row:
    """End the attempt by the fence; the unit's row as it was."""
    row = held_row(tx, claim)
    changed = moves.move_units(
        tx, to, {UnitState.HELD}, mine(claim), lease_until=None, deadline=None, **values
    )
    if changed == 0:
        raise _lost(tx, claim)
    said = {name: values.get(name) for name in ("cause", "reason")}
    claims.write_step(tx, row, step, seconds=tx.now - row.started, **said)
    return row


def _release(tx: Tx, row: Row, to: UnitState, **values: Any) -> None:
    own = (units.c.id == row.id, units.c.token == row.token)
    moves.move_units(tx, to, {UnitState.HELD}, *own, lease_until=None, deadline=None, progress=0.0, **values)


def _job(tx: Tx, claim: Claim) -> Row:
    try:
        return moves.lock_job(tx, claim.job)
    except NotFound as error:
        raise LostClaim(f"unit {claim.unit}: {error}; drop the work") from error


def _count(tx: Tx, claim: Claim, outcome: str, seconds: float, counts: Mapping[str, float]) -> None:
    sums = {("units", f"{claim.kind} {outcome}"): 1.0, ("unit_seconds", str(claim.kind)): seconds}
    totals.add(tx, sums | {("counted", name): amount for name, amount in counts.items()})


def note_progress(tx: Tx, job: Row) -> None:
    """Write how far a job is: each stage counts by its expected seconds. It never goes back."""
    state, weight = units.c.state, units.c.weight
    part = sa.case((state == UnitState.DONE, 1.0), (state == UnitState.HELD, units.c.progress), else_=0.0)
    rows = tx.conn.execute(
        sa.select(units.c.kind, sa.func.sum(weight), sa.func.sum(weight * part))
        .where(units.c.job == job.id, units.c.run == job.run, state != UnitState.CANCELLED)
        .group_by(units.c.kind)
    ).all()
    stages: dict[str, float] = {kind: planned for kind, planned, _ in rows} | dict(job.weights)
    whole = sum(stages.values())
    done = sum(stages[kind] * made / planned for kind, planned, made in rows if planned > 0)
    progress = min(1.0, done / whole) if whole > 0 else 0.0
    tx.conn.execute(
        sa.update(jobs)
        .where(jobs.c.id == job.id, jobs.c.progress < progress, jobs.c.state.not_in(ENDED))
        .values(progress=progress, updated=tx.now)
    )


def _lost(tx: Tx, claim: Claim) -> LostClaim:
    """The error for a write without a right token, with what is known of why."""
    what = f"unit {claim.unit} ({claim.kind} of job {claim.job})"
    row = tx.conn.execute(sa.select(units).where(units.c.id == claim.unit)).first()
    if row is None:
        why = "it is gone with its job"
    elif row.token != claim.token:
        why = f"{row.worker or 'another worker'} got it with token {row.token}, this one has {claim.token}"
    elif row.state != UnitState.HELD:
        why = f"it is {row.state}"
    else:
        why = f"its time of {row.limit:.0f} s is up"
    return LostClaim(f"{what} is no longer held by {claim.worker}: {why}; drop the work")
