"""What jobs that could continue wait for: one sentence, the same on the first page, in the API and in the commands."""

from __future__ import annotations

from nearfar.jobs import Brief, Job, JobState, ServerState
from nearfar.runner.disk import short_of_space
from nearfar_api.context import Context

TURN = "its turn has not come"


def waits_for(ctx: Context, job: Job, brief: Brief) -> str | None:
    """What a job waits for; None if it is in work, held, or ended."""
    if job.state not in (JobState.WAITING, JobState.RUNNING):
        return None
    found = _all_wait_for(ctx) or _own(brief)
    if found is None and any(unit.job == job.id for unit in ctx.too_large()):
        found = "no worker has the memory or the disk space that a unit of it needs"
    return found or (TURN if job.state is JobState.WAITING else None)


def _own(brief: Brief) -> str | None:
    if brief.rests is None:
        return None
    cause, reason = brief.rests
    return reason if cause == "disk" else f"a unit of it is tried again; the last time: {reason}"


def _all_wait_for(ctx: Context) -> str | None:
    """What holds up all jobs alike."""
    figures = ctx.figures()
    if figures.server is not ServerState.OPEN:
        return f"the server is {figures.server}: nothing new is begun until it is opened"
    if not figures.workers:
        return "no worker is there to take it"
    return short_of_space(ctx.places, ctx.settings.worker.spare_disk)
