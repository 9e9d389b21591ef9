"""How long a job still takes, as a range, from what is left of it and how fast units went lately.

The stages go one after the other, so progress tells which of them are left. Weights are the expected seconds of one
worker; `Pace` tells how that compared with what happened. At best all workers share in it and all goes as the fastest
tenth did; at worst this job gets only its part of the workers and all goes as the slowest tenth did.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from nearfar.jobs import Figures, Job, JobState, Pace, ServerState, UnitKind


@dataclass(frozen=True, kw_only=True)
class Left:
    """Seconds."""

    least: float
    most: float


def stages_left(weights: Mapping[str, float], progress: float) -> dict[UnitKind, float]:
    """Expected seconds of one worker that are left of each stage, without those that are done."""
    done = progress * sum(weights.values())
    left: dict[UnitKind, float] = {}
    for kind in UnitKind:
        weight = weights.get(kind, 0.0)
        rest = min(weight, max(0.0, weight - done))
        done = max(0.0, done - weight)
        if rest > 0.0:
            left[kind] = rest
    return left


def time_left(job: Job, *, pace: Mapping[UnitKind, Pace], figures: Figures) -> Left | None:
    """The range; None if unknown: the job does not run, there is no worker, or a stage was never timed."""
    slots = sum(worker.slots for worker in figures.workers)
    if job.state is not JobState.RUNNING or figures.server is not ServerState.OPEN or slots == 0:
        return None
    left = stages_left(job.weights, job.progress)
    if not all(kind in pace for kind in left):
        return None
    share = slots / max(1, figures.jobs[JobState.RUNNING])
    return Left(
        least=sum(seconds * pace[kind].low for kind, seconds in left.items()) / slots,
        most=sum(seconds * pace[kind].high for kind, seconds in left.items()) / min(1.0, share),
    )
