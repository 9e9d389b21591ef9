"""The overview: what runs, what waits and why, what needs someone, what came out lately, and the machine it runs on."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from nearfar.errors import StoreUnreachable
from nearfar.intake.state import state_file
from nearfar.jobs import JobQuery, JobState, Sort
from nearfar.merge import recipe as recipes
from nearfar_api import sse
from nearfar_api.context import Context, Ctx
from nearfar_api.feed import Feed, Listener
from nearfar_api.models import JobModel
from nearfar_api.pages import thumbnails
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.routes.server import inbox_model, server_model
from nearfar_api.shaping import job_models

router = APIRouter(include_in_schema=False, route_class=PageRoute)

SHOWN = 12
"""Jobs of each state; the list has all of them."""
STACKS = 20
"""Stacks of watched folders."""
SETTLED = ("done", "moved", "ignored", "queued")
"""States of stacks in watched folders that nobody waits for, or that are told of as jobs."""
TICK = 2.0
"""Seconds between two looks at what the watch tells."""
REST = 1.0
"""Seconds between two calls for an open page to look again."""


@dataclass(frozen=True, kw_only=True)
class Disk:
    """Room on the disk of a folder."""

    name: str
    path: str
    free: int
    total: int

    @property
    def used(self) -> float:
        """Share that is taken."""
        return 1 - self.free / self.total if self.total else 0.0


@router.get("/", name="page_overview")
def show_overview(request: Request, ctx: Ctx, part: Annotated[str | None, Query()] = None) -> Response:
    """The page, or only what changes on it."""
    try:
        values = _found(ctx)
    except StoreUnreachable as error:
        return draw(request, "waiting.html", status=503, why=str(error))
    return draw(request, "live.html" if part == "live" else "overview.html", **values)


def _found(ctx: Context) -> dict[str, Any]:
    inbox = inbox_model(ctx)
    figures = ctx.store.figures()
    running = _jobs(ctx, JobState.RUNNING, Sort.CREATED)
    held = _jobs(ctx, JobState.HELD, Sort.UPDATED)
    return {
        "server": server_model(ctx, figures),
        "workers": figures.workers,
        "running": running,
        "waiting": _jobs(ctx, JobState.WAITING, Sort.CREATED, descending=False),
        "arriving": [job for job in held if job.frames.expected],
        "held": [job for job in held if not job.frames.expected],
        "failed": _jobs(ctx, JobState.FAILED, Sort.FINISHED),
        "done": _jobs(ctx, JobState.DONE, Sort.FINISHED),
        "counts": figures.jobs,
        "inbox": inbox,
        "stacks": [entry for entry in inbox.entries if entry.state not in SETTLED][:STACKS],
        "why_waiting": why_waiting(ctx, len(figures.workers)),
        "disks": _disks(ctx),
        "recipes": [recipes.load(name) for name in recipes.names()],
        "thumbs": {job.id: thumbnails.cover(ctx, job) for job in running},
        "shown": SHOWN,
    }


def _jobs(ctx: Context, state: JobState, sort: Sort, *, descending: bool = True) -> list[JobModel]:
    query = JobQuery(states=frozenset({state}), sort=sort, descending=descending, limit=SHOWN)
    return job_models(ctx, ctx.store.jobs(query).jobs)


def why_waiting(ctx: Context, workers: int) -> str:
    """Why jobs that wait do so: the same for all of them but for what needs more room than any worker has."""
    state = ctx.store.server_state()
    if state != "open":
        return f"The server is {state}: nothing new is begun until it is opened."
    if not workers:
        return "No worker is there to take them."
    large = ctx.store.too_large()
    if large:
        jobs = ", ".join(str(job) for job in sorted({unit.job for unit in large}))
        return f"Their turn has not come. No worker has the memory or disk for job {jobs}."
    return "Their turn has not come: all workers are busy."


def _disks(ctx: Context) -> list[Disk]:
    """The disks of the server's folders; one that several of them share is told once."""
    places = ctx.places
    found: dict[int, Disk] = {}
    for name, path in {"data": places.data, "results": places.results, "scratch": places.scratch}.items():
        try:
            device, usage = path.stat().st_dev, shutil.disk_usage(path)
        except OSError:
            continue
        before = found.get(device)
        found[device] = Disk(
            name=f"{before.name}, {name}" if before else name,
            path=before.path if before else str(path),
            free=usage.free,
            total=usage.total,
        )
    return list(found.values())


@router.get("/live", name="page_live")
async def stream_live(request: Request, ctx: Ctx) -> Response:
    """Says 'changed' to an open overview whenever it should look again, at most once a second."""
    feed: Feed = request.app.state.feed
    return sse.EventStream(_changes(ctx, feed))


async def _changes(ctx: Context, feed: Feed) -> AsyncGenerator[bytes, None]:
    listener = await feed.join(None)
    try:
        yield sse.retry(REST)
        seen, quiet = _stamp(ctx), 0.0
        while True:
            changed, over = await _changed(listener)
            if over:
                return
            stamp = await run_in_threadpool(_stamp, ctx)
            if changed or stamp != seen:
                seen, quiet = stamp, 0.0
                yield sse.message("changed", "")
                await asyncio.sleep(REST)
            elif (quiet := quiet + TICK) >= sse.KEEP_ALIVE:
                quiet = 0.0
                yield sse.STILL_HERE
    finally:
        feed.leave(listener)


async def _changed(listener: Listener) -> tuple[bool, bool]:
    """Whether anything happened to a job within a tick, and whether nothing more will be told."""
    try:
        message = await asyncio.wait_for(listener.queue.get(), TICK)
    except TimeoutError:
        return False, False
    while message is not None and not listener.queue.empty():
        message = listener.queue.get_nowait()
    return True, message is None


def _stamp(ctx: Context) -> int:
    """Changes when the watch tells something."""
    try:
        return state_file(ctx.places).stat().st_mtime_ns
    except OSError:
        return 0
