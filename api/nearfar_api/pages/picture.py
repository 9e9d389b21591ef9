"""The picture, close: deep zoom, maps over it, gaps, another version beside it under a wipe."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from nearfar.errors import NotFound
from nearfar.jobs import JobState
from nearfar_api.context import Ctx
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.pages.stacks import family, report_of
from nearfar_api.routes.jobs import JobNumber
from nearfar_api.shaping import job_model, job_models

router = APIRouter(include_in_schema=False, route_class=PageRoute)

KEYS = (
    ("arrows", "move"),
    ("+ −", "closer, farther"),
    ("0", "all of it"),
    ("1", "pixel for pixel"),
    ("f", "focus map"),
    ("d", "doubt"),
    ("g", "gaps"),
    ("n", "next gap"),
    ("w", "wipe: the other version on or off"),
    ("[ ]", "move the wipe"),
    ("b", "blink, while held"),
)
"""What the keys do while the picture has the focus."""


@router.get("/jobs/{job}/picture", name="page_picture")
def show_picture(
    request: Request, ctx: Ctx, job: JobNumber, other: Annotated[int | None, Query(ge=1, lt=2**63)] = None
) -> Response:
    """The viewer; without script the preview and links."""
    found = ctx.store.job(job)
    if found.state is not JobState.DONE or found.result is None:
        raise NotFound(f"job {job} is {found.state} and has no picture yet")
    others = [v for v in family(ctx, found) if v.id != job and v.state is JobState.DONE and v.result]
    return draw(
        request,
        "picture.html",
        job=job_model(ctx, job),
        report=report_of(ctx, found),
        others=job_models(ctx, others),
        other=other,
        keys=KEYS,
    )
