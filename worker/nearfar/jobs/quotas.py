"""How much of the server an owner takes up: jobs that have not ended, bytes of frames that were or will be sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from nearfar.jobs.engine import Tx
from nearfar.jobs.model import frames, jobs
from nearfar.jobs.states import ENDED, JobState


@dataclass(frozen=True, kw_only=True)
class Taken:
    """What the store knows of it."""

    waiting: int
    """Jobs that have not ended."""
    sent: Mapping[int, int]
    """Bytes of uploaded frames, by job, whether they are here already or not; of all jobs on record."""
    unended: frozenset[int]
    """Those of these jobs that have not ended."""
    results: Mapping[int, str]
    """Pictures of jobs that are done, by job."""


def taken(tx: Tx, owner: str) -> Taken:
    """By one owner."""
    rows = tx.conn.execute(
        sa.select(jobs.c.id, jobs.c.state, jobs.c.result).where(jobs.c.owner == owner)
    ).all()
    unended = frozenset(row.id for row in rows if JobState(row.state) not in ENDED)
    absolute = sa.or_(frames.c.path.like("/%"), frames.c.path.like("hex:2f%"))
    sums = (
        sa.select(frames.c.job, sa.func.coalesce(sa.func.sum(frames.c.size), 0))
        .join(jobs, jobs.c.id == frames.c.job)
        .where(jobs.c.owner == owner, ~absolute)
        .group_by(frames.c.job)
    )
    return Taken(
        waiting=len(unended),
        sent={job: int(size) for job, size in tx.conn.execute(sums)},
        unended=unended,
        results={row.id: row.result for row in rows if row.result is not None and row.state == JobState.DONE},
    )
