"""The state of the server for its pages: jobs of each state, why jobs wait, room on the disks."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.jobs import JobQuery, JobState, Sort
from nearfar.runner.disk import short_of_space
from nearfar_api.context import Context
from nearfar_api.models.answers import JobModel
from nearfar_api.models.shaping import doing, job_models
from nearfar_api.routes.server import inbox_model, server_model


@dataclass(frozen=True, kw_only=True)
class Disk:
    """Room on the disk of one or several folders; None if unknown."""

    name: str
    path: str
    free: int | None
    total: int | None

    @property
    def used(self) -> float:
        """Share of the disk that is in use, 0..1."""
        return 1 - (self.free or 0) / self.total if self.total else 0.0


def found(ctx: Context, shown: int, *, only: str | None = None) -> dict[str, Any]:
    """What both pages show, with at most ``shown`` jobs of each state, of one owner alone if that is given.

    Raises `StoreError` if the store is away.
    """
    figures = ctx.store.figures()
    return {
        "server": server_model(ctx, figures),
        "away": ctx.presence.why_away(ctx.store),
        "workers": [(worker, doing(worker, figures.busy)) for worker in figures.workers],
        "running": _jobs(ctx, JobState.RUNNING, Sort.CREATED, shown, only),
        "waiting": job_models(ctx, ctx.store.waiting(limit=shown, owner=only)),
        "held": _jobs(ctx, JobState.HELD, Sort.UPDATED, shown, only),
        "failed": _jobs(ctx, JobState.FAILED, Sort.FINISHED, shown, only),
        "done": _jobs(ctx, JobState.DONE, Sort.FINISHED, shown, only),
        "counts": figures.jobs,
        "inbox": inbox_model(ctx),
        "why_waiting": _why_waiting(ctx, len(figures.workers)),
        "shown": shown,
    }


def _jobs(ctx: Context, state: JobState, sort: Sort, shown: int, only: str | None) -> list[JobModel]:
    """The latest jobs of a state."""
    query = JobQuery(states=frozenset({state}), owner=only, sort=sort, limit=shown)
    return job_models(ctx, ctx.store.jobs(query).jobs)


def _why_waiting(ctx: Context, workers: int) -> str:
    """Why jobs wait: the same reason for all, except for units that need more room than any worker has."""
    state = ctx.store.server_state()
    if state != "open":
        return f"The server is {state}: nothing new is begun until it is opened."
    if not workers:
        return "No worker is there to take them."
    away = ctx.presence.why_away(ctx.store)
    if away is not None:
        return f"{away[0].upper()}{away[1:]}."
    disk = short_of_space(ctx.places, ctx.settings.worker.spare_disk)
    if disk is not None:
        return f"{disk[0].upper()}{disk[1:]}."
    large = ctx.store.too_large()
    if large:
        jobs = ", ".join(str(job) for job in sorted({unit.job for unit in large}))
        return f"Their turn has not come. No worker has the memory or disk for job {jobs}."
    return "Their turn has not come: all workers are busy."


def disks(ctx: Context) -> list[Disk]:
    """The disks of the server's folders; one that several of them share is listed once."""
    places = ctx.places
    told: dict[int | str, Disk] = {}
    for name in ("data", "results", "work", "uploads", "scratch"):
        path: Path = getattr(places, name)
        try:
            device, usage = path.stat().st_dev, shutil.disk_usage(path)
        except OSError:
            told[name] = Disk(name=name, path=str(path), free=None, total=None)
            continue
        before = told.get(device)
        told[device] = Disk(
            name=f"{before.name}, {name}" if before else name,
            path=before.path if before else str(path),
            free=usage.free,
            total=usage.total,
        )
    return list(told.values())
