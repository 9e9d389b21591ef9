"""A stack: its frames with what each gave, plots over them, what is missing, the report, other versions of it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from nearfar.errors import NotFound
from nearfar.jobs import JobState
from nearfar.merge import recipe as recipes
from nearfar_api import planned
from nearfar_api.context import Context, Ctx
from nearfar_api.models.shaping import event_model, job_model, job_models
from nearfar_api.pages import thumbnails
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.pages.stack_plot import plot
from nearfar_api.pages.stacks import family, frame_rows, report_of, series, spared
from nearfar_api.routes.jobs import JobNumber
from nearfar_api.transfer import results, sending

router = APIRouter(include_in_schema=False, route_class=PageRoute)

EVENTS = 60
"""Lines of the trail."""


@router.get("/jobs/{job}", name="page_stack")
def show_stack(request: Request, ctx: Ctx, job: JobNumber) -> Response:
    """The page of one job."""
    found = ctx.store.job(job)
    report = report_of(ctx, found)
    rows = frame_rows(ctx.store.frames(job), report, thumbnails.known(ctx, found))
    trail = ctx.store.events(job=job, limit=1000)
    return draw(
        request,
        "stack.html",
        job=job_model(ctx, job),
        report=report,
        rows=rows,
        series=series(rows),
        spared=spared(found, rows),
        plot=plot,
        versions=job_models(ctx, family(ctx, found)),
        files=results.files(found, ctx.places),
        trail=[event_model(event) for event in trail[-EVENTS:]],
        recipes=[recipes.load(name) for name in recipes.names()],
        against=_against(ctx, job),
        live=found.state in (JobState.RUNNING, JobState.WAITING),
    )


def _against(ctx: Context, job: int) -> list[str]:
    """What was missed of the plan that was kept with a job, in sentences; nothing if none was."""
    try:
        return planned.compared(ctx, job, planned.of(ctx, job))[1]
    except NotFound:
        return []


@router.get("/jobs/{job}/small/{number}.jpg", name="page_small")
def show_small(
    request: Request, ctx: Ctx, job: JobNumber, number: Annotated[int, Path(ge=1, lt=1_000_000)]
) -> Response:
    """A small picture of a frame."""
    opened = thumbnails.open_small(ctx, ctx.store.job(job), number)
    return sending.respond(opened, request.scope, ctx.digests)


@router.get("/jobs/{job}/beside/{other}", name="page_beside")
def show_beside(request: Request, ctx: Ctx, job: JobNumber, other: JobNumber) -> Response:
    """Two results, with what differs between them."""
    pair = [ctx.store.job(job), ctx.store.job(other)]
    return draw(
        request,
        "beside.html",
        pair=job_models(ctx, pair),
        reports=[report_of(ctx, each) for each in pair],
    )
