"""What a list shows of each job beyond its own row: how its frames stand, and the step that is at work or next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from nearfar.jobs.engine import Tx
from nearfar.jobs.model import frames, jobs, units
from nearfar.jobs.states import FrameState, UnitKind, UnitState

OPEN = (UnitState.WAITING, UnitState.READY, UnitState.HELD)


@dataclass(frozen=True, kw_only=True)
class Brief:
    """Frames and step of one job."""

    frames: Mapping[FrameState, int]
    """Every state, also with 0."""
    stage: UnitKind | None
    """None: nothing is left to do, or nothing is planned yet."""
    rests: tuple[str, str] | None = None
    """Cause and reason why a unit that could be taken was not done the last time."""


def briefs(tx: Tx, numbers: Sequence[int]) -> dict[int, Brief]:
    """Of all these jobs at once, by number; one that is not there has no frames and no step."""
    if not numbers:
        return {}
    counts: dict[int, dict[FrameState, int]] = {job: dict.fromkeys(FrameState, 0) for job in numbers}
    for job, state, number in tx.conn.execute(count_frames(numbers)):
        counts[job][FrameState(state)] = number
    stages = {job: list(UnitKind)[stage] for job, stage in tx.conn.execute(next_stages(numbers))}
    rests = {row.job: (row.cause, row.reason) for row in tx.conn.execute(resting(numbers))}
    return {job: Brief(frames=counts[job], stage=stages.get(job), rests=rests.get(job)) for job in numbers}


def count_frames(numbers: Sequence[int]) -> sa.Select[int, str, int]:
    """Statement for the number of frames in each state, by job."""
    return (
        sa.select(frames.c.job, frames.c.state, sa.func.count())
        .where(frames.c.job.in_(numbers))
        .group_by(frames.c.job, frames.c.state)
    )


def next_stages(numbers: Sequence[int]) -> sa.Select[int, int]:
    """Statement for the first stage that has units left, by job."""
    return (
        sa.select(units.c.job, sa.func.min(units.c.stage))
        .join(jobs, sa.and_(jobs.c.id == units.c.job, jobs.c.run == units.c.run))
        .where(units.c.job.in_(numbers), units.c.state.in_(OPEN))
        .group_by(units.c.job)
    )


def resting(numbers: Sequence[int]) -> sa.Select[int, str, str]:
    """Statement for cause and reason of units that are ready, and were not done the last time, by job."""
    return (
        sa.select(units.c.job, units.c.cause, units.c.reason)
        .where(units.c.job.in_(numbers), units.c.state == UnitState.READY, units.c.reason.is_not(None))
        .order_by(units.c.job, units.c.id.desc())
    )
