"""How jobs enter the store, with their frames and units: new, submitted again, or an older one with other settings."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.errors import IllegalTransition, KeyReused, NotFound, StoreError, UsageError
from nearfar.jobs import events, moves, order, owners
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import frames, jobs, units
from nearfar.jobs.records import Duplicates, FrameNote, Row, Submission, Submitted, UnitPlan, fields_of
from nearfar.jobs.states import ENDED, JOB_MOVES, JobState, UnitKind, UnitState


def submit(tx: Tx, submission: Submission, *, who: str) -> Submitted:
    """Record a job, unless the same submission or the same set came before.

    Raises
    ------
    KeyReused
        The idempotency key came before, with another submission.
    StoreError, UsageError
        The submission contradicts itself.
    """
    check(submission)
    owners.welcome(tx, submission.owner)  # also lets one submission of an owner in at a time
    fingerprint = fingerprint_of(submission)
    before = _before(tx, submission, fingerprint)
    if before is not None:
        return Submitted(job=before, new=False)
    job = _insert(tx, submission, fingerprint=fingerprint)
    events.record(tx, "job.submitted", who=who, job=job, detail={"stack": submission.stack})
    if submission.refused is not None:
        cause, reason = submission.refused
        moves.end(tx, job, JobState.FAILED, who=who, cause=cause, reason=reason)
    return Submitted(job=job, new=True)


def check(submission: Submission) -> None:
    """Refuse a submission that contradicts itself or could never end. Raises `StoreError`, `UsageError`."""
    owners.check_owner(submission.owner)
    order.check_priority(submission.priority)
    if submission.hold is not None and submission.refused is not None:
        raise UsageError(f"{submission.stack}: a job is either held or refused; give one of the two")
    if not submission.units and submission.hold is None and submission.refused is None:
        raise StoreError(
            f"{submission.stack}: found no units, so the job would wait for ever; expected the units of its first "
            "stage, or a reason to hold it"
        )


def fingerprint_of(submission: Submission) -> str:
    """A submission's fingerprint: its own if it has one, otherwise a digest of everything but its key."""
    if submission.fingerprint is not None:
        return submission.fingerprint
    said = {name: value for name, value in asdict(submission).items() if name != "fingerprint"} | {
        "key": None
    }
    # the same submission has the same one whatever version planned its units
    said["units"] = [
        {name: value for name, value in unit.items() if name != "form"} for unit in said["units"]
    ]
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def _before(tx: Tx, submission: Submission, fingerprint: str) -> int | None:
    """Number of the job that this submission made before, or that has its set."""
    own = jobs.c.owner == submission.owner
    if submission.key is not None:
        known = by_key(tx, owner=submission.owner, key=submission.key, fingerprint=fingerprint)
        if known is not None:
            return known
    if submission.digest is None or submission.duplicates is not Duplicates.SKIP:
        return None
    given_up = (JobState.FAILED, JobState.CANCELLED)
    query = sa.select(jobs.c.id).where(own, jobs.c.digest == submission.digest, jobs.c.state.not_in(given_up))
    found = tx.conn.scalar(query.order_by(jobs.c.id.desc()).limit(1))
    return None if found is None else int(found)


def by_key(tx: Tx, *, owner: str, key: str, fingerprint: str) -> int | None:
    """Number of the job that this key made before; raises `KeyReused`."""
    own = (jobs.c.owner == owner, jobs.c.idempotency_key == key)
    row = tx.conn.execute(sa.select(jobs.c.id, jobs.c.fingerprint).where(*own)).first()
    if row is not None and row.fingerprint != fingerprint:
        raise KeyReused(
            f"the idempotency key {key!r} came before with another submission, which made job {row.id}; "
            "use a new key for each submission and repeat one only with the very same content"
        )
    return None if row is None else int(row.id)


def _insert(tx: Tx, submission: Submission, *, fingerprint: str, again_of: int | None = None) -> int:
    state = JobState.WAITING
    if submission.refused is not None:
        state = JobState.FAILED
    elif submission.hold is not None:
        state = JobState.HELD
    cause, reason = submission.refused or (None, submission.hold)
    weights = dict(submission.weights) or weights_of(submission.units)
    work = sum(weights.values())
    job = tx.conn.execute(
        jobs.insert().returning(jobs.c.id),
        {
            "stack": submission.stack,
            "owner": submission.owner,
            "sources": list(submission.sources),
            "recipe": submission.recipe,
            "settings": dict(submission.settings),
            "priority": submission.priority,
            "state": state,
            "cause": cause,
            "reason": reason,
            "weights": weights,
            "work": work,
            "due": order.due(created=tx.now, work=work, priority=submission.priority),
            "created": tx.now,
            "updated": tx.now,
            "finished": tx.now if state is JobState.FAILED else None,
            "digest": submission.digest,
            "idempotency_key": submission.key,
            "fingerprint": fingerprint if submission.key is not None else None,
            "again_of": again_of,
        },
    ).scalar_one()
    _insert_frames(tx, job, submission)
    if state is not JobState.FAILED:
        row = moves.lock_job(tx, job)
        insert_units(tx, row, submission.units, planned=True)
        if state is JobState.WAITING:
            moves.advance(tx, row)
    return int(job)


def _insert_frames(tx: Tx, job: int, submission: Submission) -> None:
    rows = [
        {"job": job, "position": position, **asdict(frame)}
        for position, frame in enumerate(submission.frames)
    ]
    if rows:
        tx.conn.execute(frames.insert(), rows)


def weights_of(plans: Iterable[UnitPlan]) -> dict[str, float]:
    """Expected seconds of each stage, by its name."""
    sums: dict[str, float] = {}
    for plan in plans:
        sums[plan.kind] = sums.get(plan.kind, 0.0) + plan.weight
    return {str(kind): weight for kind, weight in sums.items()}


def insert_units(tx: Tx, job: Row, plans: Sequence[UnitPlan], *, planned: bool) -> None:
    """Add units to the present run of a job, waiting; one that is there already is left as it is."""
    if not plans:
        return
    rows = [
        {
            "job": job.id,
            "run": job.run,
            "stage": plan.kind.stage,
            "state": UnitState.WAITING,
            "planned": planned,
            "owner": job.owner,
            "due": job.due + (order.HELP if moves.helps(plan) else 0.0),
            "priority": job.priority,
            **asdict(plan),
        }
        for plan in plans
    ]
    insert = postgresql.insert(units) if tx.postgresql else sqlite.insert(units)
    tx.conn.execute(insert.on_conflict_do_nothing(), rows)


def plan(
    tx: Tx, job: int, plans: Sequence[UnitPlan], weights: Mapping[str, float] | None, *, who: str
) -> None:
    """Give a job that nobody began its units, e.g. once all of an upload is there.

    Raises
    ------
    IllegalTransition
        Work on it began, or it ended.
    """
    row = moves.lock_job(tx, job)
    state = JobState(row.state)
    if state not in {JobState.WAITING, JobState.HELD}:
        raise IllegalTransition(f"job {job}", state=state, wanted="planned", possible=JOB_MOVES[state])
    insert_units(tx, row, plans, planned=True)
    set_weights(tx, row, weights or dict(row.weights) | weights_of(plans))
    if state is JobState.WAITING:
        moves.advance(tx, row)
    events.record(tx, "job.planned", who=who, job=job, detail={"units": len(plans)})


def set_weights(tx: Tx, job: Row, weights: Mapping[str, float]) -> None:
    """Change how long a job is expected to take, and with it its place in the order."""
    work = sum(weights.values())
    due = order.due(created=job.created, work=work, priority=job.priority)
    _place(tx, job.id, {"due": due}, weights=dict(weights), work=work)


def set_priority(tx: Tx, job: int, priority: int, *, who: str) -> None:
    """Change the priority of a job that has not ended."""
    order.check_priority(priority)
    row = moves.lock_job(tx, job)
    if JobState(row.state) in ENDED:
        raise IllegalTransition(
            f"job {job}",
            state=row.state,
            wanted="moved in the order",
            possible=JOB_MOVES[JobState(row.state)],
        )
    due = order.due(created=row.created, work=row.work, priority=priority)
    _place(tx, job, {"due": due, "priority": priority})
    events.record(tx, "job.priority", who=who, job=job, detail={"from": row.priority, "to": priority})


def _place(tx: Tx, job: int, place: dict[str, Any], **more: Any) -> None:
    """Write a job's place in the order to the rows that claims read: the job, and its units that nobody began."""
    tx.conn.execute(sa.update(jobs).where(jobs.c.id == job).values(**place, **more, updated=tx.now))
    open_states = (UnitState.WAITING, UnitState.READY, UnitState.HELD)
    due = sa.case((moves.HELPS, place["due"] + order.HELP), else_=place["due"])
    tx.conn.execute(
        sa.update(units)
        .where(units.c.job == job, units.c.state.in_(open_states))
        .values({**place, "due": due})
    )


def run_again(tx: Tx, job: int, *, who: str) -> None:
    """Let a failed or cancelled job run again from its first units, under its own number.

    Outputs of its earlier runs are found by their keys and used again; the units of those runs stay as they are.

    Raises
    ------
    IllegalTransition
        It is neither failed nor cancelled.
    StoreError
        It was refused before it had units: there is nothing to run.
    """
    row = moves.lock_job(tx, job)
    if row.state not in {JobState.FAILED, JobState.CANCELLED}:
        possible = JOB_MOVES[JobState(row.state)] - {JobState.WAITING}
        raise IllegalTransition(f"job {job}", state=row.state, wanted="run again", possible=possible)
    old = tx.conn.execute(
        sa.select(units)
        .where(units.c.job == job, units.c.run == row.run, units.c.planned)
        .order_by(units.c.id)
    ).all()
    if not old:
        raise StoreError(f"job {job} has no units to run again: {row.reason}; submit the stack once more")
    owners.welcome(tx, row.owner)
    cleared = {
        "cause": None,
        "reason": None,
        "progress": 0.0,
        "started": None,
        "finished": None,
        "result": None,
    }
    moves.move_job(tx, job, JobState.WAITING, run=row.run + 1, **cleared)
    row = moves.lock_job(tx, job)
    insert_units(tx, row, [_plan_of(unit) for unit in old], planned=True)
    moves.advance(tx, row)
    events.record(tx, "job.again", who=who, job=job, detail={"run": row.run})


def _plan_of(unit: Row) -> UnitPlan:
    return UnitPlan(**fields_of(UnitPlan, unit, kind=UnitKind(unit.kind)))


def submit_again(tx: Tx, job: int, submission: Submission, *, who: str) -> Submitted:
    """Record a new job that is linked to an older one: the same frames with another recipe or other settings."""
    check(submission)
    owners.welcome(tx, submission.owner)
    fingerprint = fingerprint_of(submission)
    before = _before(tx, submission, fingerprint) if submission.key is not None else None
    if before is not None:
        return Submitted(job=before, new=False)
    if tx.conn.scalar(sa.select(jobs.c.id).where(jobs.c.id == job)) is None:
        raise NotFound(f"there is no job {job} to run with other settings")
    new = _insert(tx, submission, fingerprint=fingerprint, again_of=job)
    events.record(tx, "job.submitted", who=who, job=new, detail={"stack": submission.stack, "again_of": job})
    return Submitted(job=new, new=True)


def note_frames(tx: Tx, job: int, notes: Sequence[FrameNote]) -> None:
    """Write what is now known of frames of a job.

    Raises
    ------
    NotFound
        The job has no frame at one of the places.
    """
    # One statement for all that are alike: everyone who goes on with the job waits for a unit's outcome.
    alike: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for note in notes:
        known: dict[str, Any] = {"size": note.size, "digest": note.digest}
        values = {name: value for name, value in known.items() if value is not None}
        values |= {"state": note.state, "reason": note.reason, "place": note.position}
        alike.setdefault(tuple(values), []).append(values)
    for names, rows in alike.items():
        own = (frames.c.job == job, frames.c.position == sa.bindparam("place"))
        said: dict[str, Any] = {name: sa.bindparam(name) for name in names if name != "place"}
        if tx.conn.execute(sa.update(frames).where(*own).values(said), rows).rowcount != len(rows):
            _name_missing(tx, job, [row["place"] for row in rows])


def _name_missing(tx: Tx, job: int, places: Sequence[int]) -> None:
    there = set(tx.conn.scalars(sa.select(frames.c.position).where(frames.c.job == job)))
    for place in places:
        if place not in there:
            raise NotFound(f"job {job} has no frame at place {place}, counted from 0")
