"""What goes out of the store about mends: frozen values, each built from a row in one place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

from nearfar.jobs.records import Row, fields_of


class MendState(StrEnum):
    """How the mends of a job stand, all together."""

    NONE = "none"
    """None is in force, and the picture is the first one."""
    WORKING = "working"
    """The picture does not show yet what is wanted."""
    SHOWN = "shown"
    """It does."""
    FAILED = "failed"
    """It cannot; the reason says why."""


@dataclass(frozen=True, kw_only=True)
class Mend:
    """One mend, in force or undone. Times are seconds since 1970 by the store's clock."""

    job: int
    number: int
    annotation: Mapping[str, Any]
    """W3C Web Annotation, without what the server adds in its answers."""
    who: str
    made: float
    undone: float | None
    undone_by: str | None

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.mends`."""
        return cls(**fields_of(cls, row))


@dataclass(frozen=True, kw_only=True)
class Mending:
    """How the mends of a job stand."""

    count: int = 0
    """In force."""
    state: MendState = MendState.NONE
    reason: str | None = None
    """A sentence, if it failed."""


@dataclass(frozen=True, kw_only=True)
class MendClaim:
    """The mends of a job that a worker holds, and the token that proves it."""

    job: int
    token: int
    """Higher than that of every earlier holder; part of the name of everything that is half made."""
    worker: str
    wanted: int
    """Number of changes that this claim carries out."""
    attempt: int
    """1 for the first."""

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `model.mending` that was just claimed."""
        return cls(job=row.job, token=row.token, worker=row.worker, wanted=row.wanted, attempt=row.attempts)

    def log_context(self) -> dict[str, Any]:
        """What a line of a log carries."""
        return {"job": self.job, "token": self.token, "step": "mend"}
