"""Lists of jobs with filter, order and pages, and single jobs with all that belongs to them.

A page begins after the last job of the one before, found in an index: page 200 costs what page 1 does, and jobs that
come or go meanwhile shift nothing.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import sqlalchemy as sa

from nearfar.errors import NotFound, UsageError
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import attempts, frames, jobs, units
from nearfar.jobs.records import Attempt, FrameEntry, Job, Unit
from nearfar.jobs.states import JobState

MOST = 500
"""Jobs on the longest page."""
LARGEST = 2**63
"""Whole numbers from here on do not fit into the database."""


class Sort(StrEnum):
    """What a list of jobs may be ordered by."""

    CREATED = "created"
    UPDATED = "updated"
    FINISHED = "finished"
    """By the time of their end; lists only jobs that ended."""
    STACK = "stack"
    PRIORITY = "priority"


@dataclass(frozen=True, kw_only=True)
class JobQuery:
    """Which jobs, in what order, which page."""

    states: frozenset[JobState] = frozenset()
    """Empty: all."""
    owner: str | None = None
    recipe: str | None = None
    cause: str | None = None
    digest: str | None = None
    again_of: int | None = None
    text: str | None = None
    """Part of the stack's name, in upper or lower case."""
    sort: Sort = Sort.CREATED
    descending: bool = True
    limit: int = 50
    after: str | None = None
    """The `Page.after` of the page before."""


@dataclass(frozen=True, kw_only=True)
class Page:
    """One page of a list of jobs."""

    jobs: tuple[Job, ...]
    after: str | None
    """Where the next page begins; None: this is the last one."""


def list_jobs(tx: Tx, query: JobQuery) -> Page:
    """List jobs, one page at a time.

    Raises
    ------
    UsageError
        The page asked for is none of this list, or its length is not from 1 to 500.
    """
    if not 1 <= query.limit <= MOST:
        raise UsageError(f"a page of {query.limit} jobs: expected 1 to {MOST}")
    rows = tx.conn.execute(statement(query)).all()
    found = tuple(Job.from_row(row) for row in rows[: query.limit])
    return Page(jobs=found, after=_cursor(query, found[-1]) if len(rows) > query.limit else None)


def by_turn(tx: Tx, *, owner: str | None, limit: int) -> tuple[Job, ...]:
    """Jobs that wait, whose turn is next first; see `order` on turns between owners, which change with all that is done."""
    mine = () if owner is None else (jobs.c.owner == owner,)
    wait = sa.select(jobs).where(jobs.c.state == JobState.WAITING, *mine)
    rows = tx.conn.execute(wait.order_by(jobs.c.due, jobs.c.id).limit(limit)).all()
    return tuple(Job.from_row(row) for row in rows)


def statement(query: JobQuery) -> sa.Select[Any]:
    """Statement of the list; it fetches one job more than the page holds, to see whether there is a next one."""
    column = jobs.c[query.sort]
    conditions = list(_conditions(query))
    if query.after is not None:
        here, there = sa.tuple_(column, jobs.c.id), sa.tuple_(*_place(query))
        conditions.append(here < there if query.descending else here > there)
    order = [column.desc(), jobs.c.id.desc()] if query.descending else [column, jobs.c.id]
    return sa.select(jobs).where(*conditions).order_by(*order).limit(query.limit + 1)


def _conditions(query: JobQuery) -> Sequence[sa.ColumnElement[bool]]:
    equal = {
        name: getattr(query, name)
        for name in ("owner", "recipe", "cause", "digest", "again_of")
        if getattr(query, name) is not None
    }
    conditions: list[sa.ColumnElement[bool]] = [jobs.c[name] == value for name, value in equal.items()]
    if len(query.states) == 1:
        conditions.append(jobs.c.state == next(iter(query.states)))
    elif query.states:
        conditions.append(jobs.c.state.in_(sorted(query.states)))
    if query.sort is Sort.FINISHED:
        conditions.append(jobs.c.finished.is_not(None))
    if query.text:
        conditions.append(jobs.c.stack.icontains(query.text, autoescape=True))
    return conditions


def _cursor(query: JobQuery, last: Job) -> str:
    """Cursor of the place after a job, in a list of this order."""
    place = [query.sort, query.descending, getattr(last, query.sort), last.id]
    return base64.urlsafe_b64encode(json.dumps(place).encode()).decode().rstrip("=")


def _place(query: JobQuery) -> tuple[Any, int]:
    text = query.after or ""
    try:
        sort, descending, value, number = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
        fits = isinstance(value, str) == (sort == Sort.STACK) and isinstance(value, str | int | float)
        known = (sort, descending) == (query.sort, query.descending)
        if not known or not fits or not isinstance(number, int) or not -LARGEST < number < LARGEST:
            raise ValueError(text)
        if not isinstance(value, str) and not -LARGEST < value < LARGEST:
            raise ValueError(text)
    except (ValueError, TypeError, binascii.Error, RecursionError) as error:
        raise UsageError(
            f"{text[:60]!r} is not a page of this list; begin with its first page, and change no order between pages"
        ) from error
    return value, number


def get_job(tx: Tx, job: int) -> Job:
    """One job; raises `NotFound`."""
    row = tx.conn.execute(sa.select(jobs).where(jobs.c.id == job)).first()
    if row is None:
        raise NotFound(f"there is no job {job}; it may have been removed after its time of keeping")
    return Job.from_row(row)


def job_frames(tx: Tx, job: int) -> tuple[FrameEntry, ...]:
    """The frames of a job, in order."""
    rows = tx.conn.execute(sa.select(frames).where(frames.c.job == job).order_by(frames.c.position))
    return tuple(FrameEntry.from_row(row) for row in rows)


def job_units(tx: Tx, job: int, *, run: int | None) -> tuple[Unit, ...]:
    """The units of a job's present run, or of an earlier one, by stage and range."""
    wanted = run if run is not None else sa.select(jobs.c.run).where(jobs.c.id == job).scalar_subquery()
    rows = tx.conn.execute(
        sa.select(units)
        .where(units.c.job == job, units.c.run == wanted)
        .order_by(units.c.stage, units.c.start)
    )
    return tuple(Unit.from_row(row) for row in rows)


def job_attempts(tx: Tx, job: int) -> tuple[Attempt, ...]:
    """All recorded attempts at a job's units, oldest first."""
    rows = tx.conn.execute(sa.select(attempts).where(attempts.c.job == job).order_by(attempts.c.id))
    return tuple(Attempt.from_row(row) for row in rows)
