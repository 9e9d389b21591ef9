"""What goes into the store and what comes out of it: frozen values, each built from a row in one place.

Times are seconds since 1970 by the store's clock, sizes bytes, weights expected seconds of one worker.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
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


class Duplicates(StrEnum):
    """What to do with a set of frames that this owner has given before."""

    SKIP = "skip"
    """Give the job that has it, unless that one failed or was cancelled."""
    AGAIN = "again"
    """Make a job of its own."""


class Wish(StrEnum):
    """What a worker is to do about the unit it has."""

    GO_ON = "go on"
    """Nothing stands against it."""
    HAND_BACK = "hand back"
    """Its job is held or the server drains: hand it back, uncounted."""
    DROP = "drop"
    """Nobody wants it: remove its scratch, then hand it back, which ends it."""


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
    """What is now known of the frame at ``position``; None leaves size and digest as they are."""

    position: int
    state: FrameState
    reason: str | None = None
    size: int | None = None
    digest: str | None = None


@dataclass(frozen=True, kw_only=True)
class UnitPlan:
    """A unit to be done: which piece of which step, what it takes."""

    kind: UnitKind
    start: int = 0
    """First frame or tile."""
    stop: int = 1
    """One past the last."""
    weight: float = 1.0
    """Expected seconds."""
    memory: int = 0
    """Bytes that it needs at its peak; only a worker that has them is given it."""
    disk: int = 0
    """Bytes of scratch that it needs."""
    limit: float = 3600.0
    """Seconds that one attempt may take; later heartbeats are refused."""
    detail: Mapping[str, Any] | None = None
    """Small, as JSON."""
    form: int = FORM
    """Which workers understand it."""


@dataclass(frozen=True, kw_only=True)
class Submission:
    """A stack that someone wants to be merged, and how the work on it begins."""

    stack: str
    """Name for people and for the result."""
    owner: str
    frames: tuple[FrameEntry, ...] = ()
    units: tuple[UnitPlan, ...] = ()
    """The first stages; later ones are added by whoever finishes a unit. A job must end with a `deliver` unit."""
    sources: tuple[str, ...] = ()
    """Folders or files that it came from."""
    recipe: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    """What goes before the recipe; small, as JSON."""
    priority: int = 0
    """-9 to 9; see `order`."""
    weights: Mapping[str, float] = field(default_factory=dict)
    """Expected seconds of each stage by its name, those without units yet included; from the units if not given."""
    digest: str | None = None
    """Of the set; two submissions of an owner with the same are duplicates."""
    duplicates: Duplicates = Duplicates.AGAIN
    key: str | None = None
    """Idempotency key: the same owner, key and submission give the same job."""
    fingerprint: str | None = None
    """What tells submissions under one key apart; if not given, all that they say."""
    hold: str | None = None
    """Why the job does not begin at once, e.g. ``'12 of 40 frames are here'``; None: it may begin."""
    refused: tuple[str, str] | None = None
    """Cause and reason why it never can; it is recorded as failed."""


@dataclass(frozen=True, kw_only=True)
class Submitted:
    """What became of a submission."""

    job: int
    new: bool
    """False: the same submission or set came before."""


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
        plain = {name: getattr(row, name) for name in cls.__dataclass_fields__}
        return cls(**plain | {"state": JobState(row.state), "sources": tuple(row.sources)})

    def log_context(self) -> dict[str, Any]:
        """What a line of a log about this job carries."""
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
        plain = {name: getattr(row, name) for name in cls.__dataclass_fields__}
        return cls(**plain | {"kind": UnitKind(row.kind), "state": UnitState(row.state)})


@dataclass(frozen=True, kw_only=True)
class Claim:
    """A unit that a worker holds, and the token that proves it."""

    unit: int
    token: int
    """Higher than that of every earlier holder. It belongs into the name of every file that the unit makes."""
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
        return cls(
            unit=row.id,
            attempt=row.attempts,
            kind=UnitKind(row.kind),
            **{
                name: getattr(row, name)
                for name in cls.__dataclass_fields__
                if name not in {"unit", "attempt", "kind"}
            },
        )

    def log_context(self) -> dict[str, Any]:
        """What a line of a log about this unit carries."""
        return {"job": self.job, "unit": self.unit, "token": self.token, "step": str(self.kind)}


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """One line of the list of attempts: that one began, or how it ended."""

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
        plain = {name: getattr(row, name) for name in cls.__dataclass_fields__}
        return cls(**plain | {"step": AttemptStep(row.step)})


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
        return cls(**{name: getattr(row, name) for name in cls.__dataclass_fields__})


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
        plain = {name: getattr(row, name) for name in cls.__dataclass_fields__}
        return cls(**plain | {"state": WorkerState(row.state)})


@dataclass(frozen=True, kw_only=True)
class Owner:
    """Someone whose jobs share the server with those of others."""

    name: str
    share: float
    passed: float
    """Seconds of work given so far, divided by the share; only differences between owners mean anything."""

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.owners`."""
        return cls(name=row.name, share=row.share, passed=row.passed)
