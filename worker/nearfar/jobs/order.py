"""Which unit is next. There are two rules, each with one number, so that an index finds the answer.

**Within an owner** units go by the due time of their job, earliest first::

    due = submitted + min(4 x work, 1 h) - 6 h x priority

where *work* is the expected seconds of the whole job. A small stack goes before a long one that came shortly before it;
a step of priority is worth six hours of waiting. The due time of a job never changes and that of new jobs grows with the
clock, so that nothing is overtaken for ever: work of priority -1 goes before normal work that came six hours later.
Units that only help come an hour later than their job.

**Between owners** the one that was given least goes first::

    passed - 600 s x priority of the owner's first unit

where *passed* is the sum of the weights of the units it was given, divided by its share of the server. A step of
priority is thus an advance of ten minutes of work, which is paid back afterwards: marking everything as urgent gains no
more than that. An owner that comes back after a pause starts level with the one that was given least; it gets no credit
for the time that it was away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from nearfar.errors import UsageError
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import jobs, owners, units
from nearfar.jobs.records import FORM, OLDEST_FORM
from nearfar.jobs.states import JobState

STEP = 6 * 3600.0
"""Seconds of waiting that one step of priority is worth."""
PATIENCE = 4.0
"""A job lets shorter ones go first for this multiple of its own length..."""
LONGEST_PATIENCE = 3600.0
"""...and for no longer than this many seconds."""
ADVANCE = 600.0
"""Seconds of work by which one step of priority lets an owner go ahead of its share."""
PRIORITIES = range(-9, 10)
HELP = 3600.0
"""Seconds by which a unit that only helps another one comes later than its job: where other work waits, that goes first, of
which nothing is done twice."""
NEAR = 600.0
"""Seconds by which another job may be due earlier while a worker stays with the job whose frames it has."""
CANDIDATES = 8
"""Owners that a claim tries in turn; more than one only if others claim at the same moment."""


def due(*, created: float, work: float, priority: int) -> float:
    """Place of a job in its owner's order: the smaller, the earlier."""
    return created + min(PATIENCE * work, LONGEST_PATIENCE) - STEP * priority


def check_priority(priority: int) -> int:
    """Raise `UsageError` unless the priority is a whole number from -9 to 9."""
    if priority not in PRIORITIES:
        raise UsageError(
            f"priority {priority} is not known; write a whole number from {PRIORITIES[0]} (whenever there is time) "
            f"over 0 (normal) to {PRIORITIES[-1]} (before everything)"
        )
    return priority


@dataclass(frozen=True, kw_only=True)
class Room:
    """What a worker that asks for a unit has to offer."""

    worker: str
    memory: int | None
    """Free bytes; None: no limit."""
    disk: int | None
    forms: tuple[int, int] = (OLDEST_FORM, FORM)
    """The oldest and the newest form of units that it understands."""
    near: int | None = None
    """Number of the job whose decoded frames are at hand, 0 if there are none; None: those of all jobs are."""

    def fits(self) -> sa.ColumnElement[bool]:
        """Condition that the worker understands a unit and has the memory and disk for it."""
        limits = [(units.c.memory, self.memory), (units.c.disk, self.disk)]
        understood = units.c.form.between(*self.forms)
        return sa.and_(understood, *(column <= size for column, size in limits if size is not None))


def claimable(tx: Tx, room: Room) -> tuple[sa.ColumnElement[bool], ...]:
    """Conditions that a ready unit can be given to a worker now."""
    # The state stands in the text of the statement: a plan kept for any parameter could not use the partial index.
    ready: sa.ColumnElement[bool] = units.c.state == sa.literal_column("'ready'")
    elsewhere = sa.or_(
        units.c.worker.is_(None),
        units.c.worker != room.worker,
        units.c.not_before <= tx.now - tx.rules.elsewhere,
    )
    return ready, units.c.not_before <= tx.now, room.fits(), elsewhere


def first_unit(tx: Tx, room: Room, owner: Any) -> sa.Select[int]:
    """Query for the number of an owner's next unit."""
    return (
        sa.select(units.c.id)
        .where(units.c.owner == owner, *claimable(tx, room))
        .order_by(units.c.due, units.c.id)
        .limit(1)
    )


def near_units(tx: Tx, room: Room, owner: Any) -> list[sa.Select[int]]:
    """Queries for units that go before an owner's next one, if machines do not see each other's decoded frames.

    A worker stays with the job whose frames it has decoded. Otherwise it prefers a job that nobody began, so that no frames
    have to be decoded twice. Both hold only while no unit waits that is due `NEAR` seconds earlier.
    """
    if room.near is None:
        return []
    own = (units.c.owner == owner, *claimable(tx, room))
    first = sa.select(sa.func.min(units.c.due)).where(*own).scalar_subquery()
    soon = units.c.due <= first + NEAR
    fresh = sa.exists(
        sa.select(jobs.c.id)
        .where(jobs.c.id == units.c.job, jobs.c.state == JobState.WAITING)
        .correlate(units)
    )
    found = sa.select(units.c.id).where(*own, soon).order_by(units.c.due, units.c.id).limit(1)
    return [found.where(units.c.job == room.near), found.where(fresh)]


def owners_in_turn(tx: Tx, room: Room) -> sa.Select[str]:
    """Query for the owners that have a unit for this worker, the next one first."""
    first = units.alias("first")
    pick = first_unit(tx, room, owners.c.name).correlate(owners).scalar_subquery()
    turn = owners.c.passed - ADVANCE * first.c.priority
    return (
        sa.select(owners.c.name)
        .select_from(owners.join(first, first.c.id == pick))
        .order_by(turn, first.c.due, first.c.id)
        .limit(CANDIDATES)
    )
