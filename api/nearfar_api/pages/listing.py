"""The list of all jobs: filter, order and pages by plain links."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from nearfar.jobs import JobQuery, JobState, Sort
from nearfar_api.access.caller import By
from nearfar_api.context import Ctx
from nearfar_api.models.requests import Words
from nearfar_api.models.shaping import job_models
from nearfar_api.pages.drawing import address, draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.routes.jobs import SORTS

router = APIRouter(include_in_schema=False, route_class=PageRoute)

PAGE = 40
USUAL = "-created"
COLUMNS = (("stack", "Stack"), ("created", "Came"), ("finished", "Ended"), ("priority", "Priority"))
"""What the list may be ordered by, with its heading."""


@router.get("/jobs", name="page_jobs")
def show_jobs(
    request: Request,
    ctx: Ctx,
    by: By,
    state: Annotated[str, Query(max_length=20)] = "",
    search: Annotated[Words, Query()] = "",
    sort: Annotated[str, Query(pattern=SORTS)] = USUAL,
    after: Annotated[Words | None, Query()] = None,
) -> Response:
    """A page of them."""
    chosen = frozenset({JobState(state)}) if state in set(JobState) else frozenset[JobState]()
    query = JobQuery(
        states=chosen,
        owner=by.only,
        text=search or None,
        sort=Sort(sort.removeprefix("-")),
        descending=sort.startswith("-"),
        limit=PAGE,
        after=after,
    )
    page = ctx.store.jobs(query)
    kept = {"state": state if chosen else "", "search": search, "sort": sort}

    def link(**changes: str) -> str:
        return f"{address(request, 'page_jobs')}{_query(kept | changes)}"

    return draw(
        request,
        "jobs.html",
        jobs=job_models(ctx, page.jobs),
        counts=ctx.store.figures().jobs,
        states=list(JobState),
        state=kept["state"],
        search=search,
        sort=sort,
        columns=COLUMNS,
        link=link,
        first=after is not None,
        next=link(after=page.after) if page.after else None,
    )


def _query(values: Mapping[str, str]) -> str:
    said = {name: value for name, value in values.items() if value and (name, value) != ("sort", USUAL)}
    return f"?{urlencode(said)}" if said else ""
