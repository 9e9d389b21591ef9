"""The states of a job and of a unit, and the only ways from one to another.

There is one table for each, so that every rule about what may follow what is on this page. Only `moves` writes states to
the store.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TypeVar


class JobState(StrEnum):
    """Where a job is on its way through the server."""

    WAITING = "waiting"
    """No unit of this run was begun yet."""
    RUNNING = "running"
    """At least one of its units was begun."""
    HELD = "held"
    """No unit of it is given out: a person holds it, or its upload is not complete."""
    DONE = "done"
    """Its result is delivered. Final; for another result a new job is made and linked to this one."""
    FAILED = "failed"
    """It cannot continue, and says why. A person may run it again."""
    CANCELLED = "cancelled"
    """A person cancelled it. A person may run it again."""


class UnitState(StrEnum):
    """Where a unit is."""

    WAITING = "waiting"
    """An earlier stage is not done, or its job is held."""
    READY = "ready"
    """Any worker may take it, once its earliest time has come."""
    HELD = "held"
    """A worker has it under a lease; every write about it has to show the token."""
    DONE = "done"
    """Its output exists. Final."""
    FAILED = "failed"
    """It was tried as often as allowed, or can never work. Final; running the job again makes new units."""
    CANCELLED = "cancelled"
    """Its job ended without it. Final."""


class FrameState(StrEnum):
    """What is known of a frame of a job."""

    EXPECTED = "expected"
    """Announced; its bytes are not all here."""
    PRESENT = "present"
    """All of its bytes are here, by size and digest."""
    USED = "used"
    """It is part of the picture."""
    LEFT_OUT = "left out"
    """Readable, but not used for the picture; its reason says why."""
    REFUSED = "refused"
    """It cannot be read; its reason says why."""


class UnitKind(StrEnum):
    """The step of a merge that a unit does a piece of, in the order of the stages."""

    SURVEY = "survey"
    """Look at a batch of frames, each alone."""
    REGISTER = "register"
    """Line the frames up."""
    FOCUS = "focus"
    """Find for each place the frame that is sharpest there."""
    RENDER = "render"
    """Make a batch of tiles."""
    DELIVER = "deliver"
    """Write the result whole."""

    @property
    def stage(self) -> int:
        """Place in the order of stages, from 0."""
        return list(UnitKind).index(self)


WHOLE = frozenset({UnitKind.REGISTER, UnitKind.FOCUS, UnitKind.DELIVER})
"""Kinds of which the unit that starts at 0 does everything: further ones only help it, and nobody waits for them."""


class AttemptStep(StrEnum):
    """What a line in the append-only list of attempts records: that an attempt began, or how it ended."""

    STARTED = "started"
    """A worker took the unit; written, and counted, before any work is done."""
    DONE = "done"
    """The output exists. At most once for each unit, which the database itself ensures."""
    FAILED = "failed"
    """The worker reported that it failed, and why."""
    LOST = "lost"
    """The worker vanished, or was past its deadline."""
    HANDED_BACK = "handed back"
    """The worker returned the unit because it had to stop; not counted."""
    CANCELLED = "cancelled"
    """The job no longer wants the unit."""


class WorkerState(StrEnum):
    """What is known of a worker."""

    WORKING = "working"
    """It sends heartbeats and takes units."""
    DRAINING = "draining"
    """It sends heartbeats, finishes or hands back its units, and takes no new ones."""
    GONE = "gone"
    """It ended as it should."""
    LOST = "lost"
    """Its heartbeat stopped without a word."""


class ServerState(StrEnum):
    """What all workers of a store are asked to do."""

    OPEN = "open"
    """Take units as they become ready."""
    PAUSED = "paused"
    """Take nothing new; finish what is in work."""
    DRAINING = "draining"
    """Take nothing new and hand back what is in work, uncounted, so that the machine can be stopped."""


JOB_MOVES: Mapping[JobState, frozenset[JobState]] = {
    JobState.WAITING: frozenset({JobState.RUNNING, JobState.HELD, JobState.FAILED, JobState.CANCELLED}),
    JobState.RUNNING: frozenset({JobState.HELD, JobState.DONE, JobState.FAILED, JobState.CANCELLED}),
    # Held while units were in work: those may still finish it or bring it down.
    JobState.HELD: frozenset({JobState.WAITING, JobState.DONE, JobState.FAILED, JobState.CANCELLED}),
    JobState.DONE: frozenset(),
    JobState.FAILED: frozenset({JobState.WAITING}),
    JobState.CANCELLED: frozenset({JobState.WAITING}),
}
"""From each state of a job, the states that may follow."""

UNIT_MOVES: Mapping[UnitState, frozenset[UnitState]] = {
    UnitState.WAITING: frozenset({UnitState.READY, UnitState.CANCELLED}),
    UnitState.READY: frozenset({UnitState.HELD, UnitState.WAITING, UnitState.CANCELLED}),
    UnitState.HELD: frozenset(
        {
            UnitState.DONE,
            UnitState.READY,  # handed back, failed with tries left, or its worker was lost
            UnitState.HELD,  # the lease ran out and another worker takes it over under a new token
            UnitState.WAITING,  # handed back while its job is held
            UnitState.FAILED,
            UnitState.CANCELLED,
        }
    ),
    UnitState.DONE: frozenset(),
    UnitState.FAILED: frozenset(),
    UnitState.CANCELLED: frozenset(),
}
"""From each state of a unit, the states that may follow."""

ENDED = frozenset({JobState.DONE, JobState.FAILED, JobState.CANCELLED})
"""States in which workers should drop a job's units; once they have, its scratch may be removed."""

State = TypeVar("State", bound=StrEnum)


def sources(moves: Mapping[State, frozenset[State]], to: State) -> frozenset[State]:
    """The states from which ``to`` may follow."""
    return frozenset(state for state, following in moves.items() if to in following)
