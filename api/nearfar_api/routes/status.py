"""The first page: how the server stands, what runs, what waits and why, what failed and why. Works without script."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from nearfar import __version__
from nearfar.errors import StoreError
from nearfar.jobs import JobQuery, JobState, Sort
from nearfar.progress import format_seconds
from nearfar.runner.disk import short_of_space
from nearfar.settings import format_size
from nearfar_api.context import Context, Ctx
from nearfar_api.models import JobModel
from nearfar_api.routes.server import inbox_model, server_model
from nearfar_api.shaping import job_models
from nearfar_api.web import TEMPLATES

router = APIRouter(tags=["pages"])

SHOWN = 20
"""Jobs of each state, and stacks of watched folders."""
SETTLED = ("done", "moved", "ignored")
"""States of stacks in watched folders that nobody waits for."""


@dataclass(frozen=True, kw_only=True)
class Disk:
    """Room on the disk of a folder."""

    name: str
    path: str
    free: int | None
    total: int | None

    @property
    def used(self) -> float:
        """Share that is taken."""
        return 1 - (self.free or 0) / self.total if self.total else 0.0


def _environment() -> Environment:
    found = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters |= {"size": format_size, "seconds": format_seconds, "moment": _moment}
    return found


def _moment(text: str) -> str:
    """RFC 3339 for people; all times are UTC, as the page says."""
    return text[:19].replace("T", " ")


PAGES = _environment()


@router.get(
    "/status", response_class=HTMLResponse, operation_id="showStatus", summary="The server on one page"
)
def show_status(request: Request, ctx: Ctx) -> HTMLResponse:
    """For people; everything on it is also in the API."""
    root = request.scope.get("root_path", "")
    shown = {
        "root": root,
        "version": __version__,
        "now": _moment(datetime.now(UTC).isoformat()),
        "disks": _disks(ctx),
    }
    try:
        page = PAGES.get_template("status.html").render(shown | _found(ctx))
        return HTMLResponse(page, headers={"cache-control": "no-store"})
    except StoreError as error:
        page = PAGES.get_template("away.html").render(shown | {"why": str(error)})
        return HTMLResponse(page, 503, headers={"cache-control": "no-store", "retry-after": "5"})


def _found(ctx: Context) -> dict[str, Any]:
    inbox = inbox_model(ctx)
    open_stacks = [entry for entry in inbox.entries if entry.state not in SETTLED]
    figures = ctx.store.figures()
    return {
        "server": server_model(ctx, figures),
        "workers": figures.workers,
        "running": _jobs(ctx, JobState.RUNNING, Sort.CREATED),
        "waiting": _jobs(ctx, JobState.WAITING, Sort.CREATED, descending=False),
        "held": _jobs(ctx, JobState.HELD, Sort.UPDATED),
        "failed": _jobs(ctx, JobState.FAILED, Sort.FINISHED),
        "done": _jobs(ctx, JobState.DONE, Sort.FINISHED),
        "counts": figures.jobs,
        "inbox": inbox,
        "stacks": open_stacks[:SHOWN],
        "more_stacks": len(open_stacks) - SHOWN,
        "shown": SHOWN,
        "why_waiting": _why_waiting(ctx, len(figures.workers)),
    }


def _jobs(ctx: Context, state: JobState, sort: Sort, *, descending: bool = True) -> list[JobModel]:
    query = JobQuery(states=frozenset({state}), sort=sort, descending=descending, limit=SHOWN)
    return job_models(ctx, ctx.store.jobs(query).jobs)


def _why_waiting(ctx: Context, workers: int) -> str:
    """Why jobs that wait do so: the same for all of them but for what needs more room than any worker has."""
    state = ctx.store.server_state()
    if state != "open":
        return f"The server is {state}: nothing new is begun until it is opened."
    if not workers:
        return "No worker is there to take them."
    disk = short_of_space(ctx.places, ctx.settings.worker.spare_disk)
    if disk is not None:
        return f"{disk[0].upper()}{disk[1:]}."
    large = ctx.store.too_large()
    if large:
        jobs = ", ".join(str(job) for job in sorted({unit.job for unit in large}))
        return f"Their turn has not come. No worker has the memory or disk for job {jobs}."
    return "Their turn has not come: all workers are busy."


def _disks(ctx: Context) -> list[Disk]:
    places = ctx.places
    folders = {"data": places.data, "results": places.results, "scratch": places.scratch}
    found = []
    for name, path in folders.items():
        try:
            usage = shutil.disk_usage(path)
            found.append(Disk(name=name, path=str(path), free=usage.free, total=usage.total))
        except OSError:
            found.append(Disk(name=name, path=str(path), free=None, total=None))
    return found
