"""What goes into the store and what comes out of it: frozen values, each built from a row in one place.

Times are seconds since 1970 by the store's clock, sizes bytes, weights expected seconds of one worker.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, Self

import sqlalchemy as sa

from nearfar.jobs.states import AttemptStep, FrameState, JobState, UnitKind, UnitState, WorkerState

Row = sa.Row[*tuple[Any, ...]]
FORM = 1
"""Form of the units that this version makes, and the newest that it understands. Raised if an older version would
misread a unit: what its range or detail mean, or which outputs it finds. It is not raised for another way to make the same
output, which has another key anyway.
"""
OLDEST_FORM = 1
"""The oldest form that this version still understands."""
ACCEPTED = "accepted"
"""Setting of a job: causes for which it was held and then released by a person, who thereby accepts them."""


def fields_of(record: type, row: Row, **others: Any) -> dict[str, Any]:
    """Values of a data class's fields by name: ``others`` as they are given, the rest from columns of the same names."""
    names = (each.name for each in fields(record) if each.name not in others)
    return {name: getattr(row, name) for name in names} | others


class Duplicates(StrEnum):
    """What to do with a set of frames that this owner has given before."""

    SKIP = "skip"
    """Return the earlier job, unless it failed or was cancelled."""
    AGAIN = "again"
    """Make a new job."""


class Wish(StrEnum):
    """What a worker should do with the unit that it holds."""

    GO_ON = "go on"
    """Continue."""
    HAND_BACK = "hand back"
    """Hand it back, uncounted: its job is held, or the server drains."""
    DROP = "drop"
    """Remove its scratch, then hand it back, which ends it: its job was cancelled or has failed."""


class Coming(StrEnum):
    """What a worker without a unit may expect."""

    NOW = "now"
    """There is a unit for it."""
    SOON = "soon"
    """None yet, but others are at a job of which more is to come."""
    NO = "no"
    """Neither, as far as is known."""


@dataclass(frozen=True, kw_only=True)
class FrameEntry:
    """A frame of a job, as submitted or as known now."""

    path: str
    size: int | None = None
    digest: str | None = None
    state: FrameState = FrameState.PRESENT
    reason: str | None = None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.frames`."""
        return cls(
            path=row.path, size=row.size, digest=row.digest, state=FrameState(row.state), reason=row.reason
        )


@dataclass(frozen=True, kw_only=True)
class FrameNote:
    """News about the frame at ``position``; None leaves size and digest as they are."""

    position: int
    state: FrameState
    reason: str | None = None
    size: int | None = None
    digest: str | None = None


@dataclass(frozen=True, kw_only=True)
class UnitPlan:
    """A unit to be done: which piece of which step, and what it needs."""

    kind: UnitKind
    start: int = 0
    """First frame or tile."""
    stop: int = 1
    """One past the last."""
    weight: float = 1.0
    """Expected seconds."""
    memory: int = 0
    """Bytes of memory that it needs at its peak; only a worker that has as much free gets it."""
    disk: int = 0
    """Bytes of scratch that it needs."""
    limit: float = 3600.0
    """Seconds that one attempt may take; later heartbeats are refused."""
    detail: Mapping[str, Any] | None = None
    """Small, as JSON."""
    form: int = FORM
    """Its form; only workers that understand this form get it."""


@dataclass(frozen=True, kw_only=True)
class Submission:
    """A stack to be merged, and its first units."""

    stack: str
    """Name for people and for the result."""
    owner: str
    frames: tuple[FrameEntry, ...] = ()
    units: tuple[UnitPlan, ...] = ()
    """Units of the first stages; finishing a unit may add those of later stages. A job must end with a `deliver` unit."""
    sources: tuple[str, ...] = ()
    """Folders or files that it came from."""
    recipe: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Values that override the recipe's; small, as JSON."""
    priority: int = 0
    """-9 to 9; see `order`."""
    weights: Mapping[str, float] = field(default_factory=dict)
    """Expected seconds of each stage, by its name, including stages without units yet; if empty, taken from the units."""
    digest: str | None = None
    """Digest of the set of frames; two submissions of an owner with the same digest are duplicates."""
    duplicates: Duplicates = Duplicates.AGAIN
    key: str | None = None
    """Idempotency key: the same owner, key and submission give the same job."""
    fingerprint: str | None = None
    """By what submissions under one key are compared; all of their content if not given."""
    hold: str | None = None
    """Why the job is held at first, e.g. ``'12 of 40 frames are here'``; None: it is not."""
    refused: tuple[str, str] | None = None
    """Cause and reason if the stack can never be merged; the job is then recorded as failed."""


@dataclass(frozen=True, kw_only=True)
class Submitted:
    """The outcome of a submission."""

    job: int
    new: bool
    """False if the same submission or set came before."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """A job as it stands."""

    id: int
    stack: str
    owner: str
    sources: tuple[str, ...]
    recipe: str
    settings: Mapping[str, Any]
    priority: int
    state: JobState
    cause: str | None
    reason: str | None
    progress: float
    weights: Mapping[str, float]
    run: int
    created: float
    updated: float
    started: float | None
    finished: float | None
    result: str | None
    digest: str | None
    again_of: int | None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.jobs`."""
        return cls(**fields_of(cls, row, state=JobState(row.state), sources=tuple(row.sources)))

    def log_context(self) -> dict[str, Any]:
        """Fields of a log line about this job."""
        return {"job": self.id, "stack": self.stack, "owner": self.owner, "state": str(self.state)}


@dataclass(frozen=True, kw_only=True)
class Unit:
    """A unit as it stands."""

    id: int
    job: int
    run: int
    kind: UnitKind
    start: int
    stop: int
    weight: float
    state: UnitState
    memory: int
    disk: int
    limit: float
    attempts: int
    token: int
    worker: str | None
    started: float | None
    lease_until: float | None
    deadline: float | None
    progress: float
    not_before: float
    cause: str | None
    reason: str | None
    detail: Mapping[str, Any] | None
    result: Mapping[str, Any] | None
    form: int = FORM

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.units`."""
        return cls(**fields_of(cls, row, kind=UnitKind(row.kind), state=UnitState(row.state)))


@dataclass(frozen=True, kw_only=True)
class Claim:
    """A unit that a worker holds, and the token that proves it."""

    unit: int
    token: int
    """Higher than that of every earlier holder; part of the name of every file that the unit makes."""
    worker: str
    job: int
    run: int
    kind: UnitKind
    start: int
    stop: int
    weight: float
    memory: int
    disk: int
    attempt: int
    """1 for the first."""
    lease_until: float
    deadline: float
    detail: Mapping[str, Any] | None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.units` that was just claimed."""
        return cls(**fields_of(cls, row, unit=row.id, attempt=row.attempts, kind=UnitKind(row.kind)))

    def log_context(self) -> dict[str, Any]:
        """Fields of a log line about this unit."""
        return {"job": self.job, "unit": self.unit, "token": self.token, "step": str(self.kind)}


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """One line of the list of attempts at a unit: that one began, or how it ended."""

    id: int
    unit: int
    job: int
    token: int
    step: AttemptStep
    at: float
    worker: str | None
    seconds: float | None
    cause: str | None
    reason: str | None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.attempts`."""
        return cls(**fields_of(cls, row, step=AttemptStep(row.step)))


@dataclass(frozen=True, kw_only=True)
class Event:
    """One line of the audit trail."""

    id: int
    at: float
    who: str
    action: str
    job: int | None
    unit: int | None
    detail: Mapping[str, Any]

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.events`."""
        return cls(**fields_of(cls, row))


@dataclass(frozen=True, kw_only=True)
class Worker:
    """A process that takes units."""

    id: str
    host: str
    pid: int
    version: str
    slots: int
    memory: int
    disk: int
    state: WorkerState
    started: float
    beat: float
    form: int = FORM

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.workers`."""
        return cls(**fields_of(cls, row, state=WorkerState(row.state)))


@dataclass(frozen=True, kw_only=True)
class Owner:
    """An owner of jobs, and what it was given of the server so far."""

    name: str
    share: float
    passed: float
    """Seconds of work given so far, divided by the share; only differences between owners mean anything."""

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.owners`."""
        return cls(**fields_of(cls, row))
