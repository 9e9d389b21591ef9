"""What forms ask for. `access` keeps other sites' pages from sending them, by Origin and Sec-Fetch-Site."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any
from urllib.parse import parse_qs

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from nearfar.errors import UsageError
from nearfar.jobs import Job, JobState, ServerState
from nearfar.runner.again import again as run_otherwise
from nearfar_api import objects
from nearfar_api.context import Context, Ctx, Who
from nearfar_api.pages.drawing import address
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.problems import Problem
from nearfar_api.quota import quota
from nearfar_api.routes.jobs import JobNumber
from nearfar_api.submitting import check_recipe, check_space

router = APIRouter(include_in_schema=False, route_class=PageRoute)

FORM = "application/x-www-form-urlencoded"
MOST = 20_001
"""Fields of a form: one for each frame that is left out, and a few."""
Fields = Mapping[str, list[str]]


async def fields_of(request: Request) -> Fields:
    """What a form holds; refused if it is none."""
    if not request.headers.get("content-type", "").startswith(FORM):
        raise Problem("invalid", f"A form of the kind {FORM} was expected.", errors=[])
    try:
        return parse_qs((await request.body()).decode(), max_num_fields=MOST, keep_blank_values=True)
    except ValueError as error:
        raise Problem("malformed", "The form could not be read.") from error


Form = Annotated[Fields, Depends(fields_of)]
"""The fields of the form that a handler is sent."""


def one_of(fields: Fields, name: str) -> str:
    """The first value of a field; empty if there is none."""
    return fields.get(name, [""])[0]


def _see(request: Request, route: str, **params: Any) -> Response:
    """Go there, by GET (RFC 9110, 15.4.4)."""
    return RedirectResponse(address(request, route, **params), 303)


@router.post("/server", name="page_set_server")
async def set_server(
    request: Request,
    ctx: Ctx,
    who: Who,
    fields: Form,
) -> Response:
    """Open, pause or drain."""
    wish = one_of(fields, "state")
    if wish not in set(ServerState):
        raise UsageError(f"{wish!r} is not a state of the server; there are {', '.join(ServerState)}")

    def act() -> None:
        ctx.store.set_server_state(ServerState(wish), who=who)
        ctx.figures.forget()

    await run_in_threadpool(act)
    ctx.kick()
    return _see(request, "page_overview")


Act = Callable[[Context, Job, str], object]


def _priority(change: int) -> Act:
    return lambda ctx, job, who: ctx.store.set_priority(
        job.id, max(-9, min(9, job.priority + change)), who=who
    )


ACTS: Mapping[str, Act] = {
    "cancel": lambda ctx, job, who: ctx.store.cancel(job.id, who=who),
    "hold": lambda ctx, job, who: ctx.store.hold(job.id, who=who),
    "release": lambda ctx, job, who: ctx.store.release(job.id, who=who),
    "rerun": lambda ctx, job, who: ctx.store.run_again(job.id, who=who),
    "deliver": lambda ctx, job, who: objects.deliver_again(ctx, job.id, who=who),
    "sooner": _priority(1),
    "later": _priority(-1),
}
"""What the buttons of a job do."""


@router.post("/jobs/{job}/do", name="page_do")
async def do(
    request: Request,
    ctx: Ctx,
    who: Who,
    job: JobNumber,
    fields: Form,
) -> Response:
    """One of `ACTS`; then back to the page with the button."""
    wish = one_of(fields, "do")
    act = ACTS.get(wish)
    if act is None:
        raise UsageError(f"{wish!r} is not an action on a job; there are {', '.join(ACTS)}")

    def perform() -> None:
        found = ctx.store.job(job)
        if wish == "rerun":
            check_space(ctx)
            with quota.checked(ctx, found.owner):
                act(ctx, found, who)
        else:
            act(ctx, found, who)

    await run_in_threadpool(perform)
    ctx.kick()
    if one_of(fields, "back") == "overview":
        return _see(request, "page_overview")
    return _see(request, "page_stack", job=job)


@router.post("/jobs/{job}/again", name="page_again")
async def again(
    request: Request,
    ctx: Ctx,
    who: Who,
    job: JobNumber,
    fields: Form,
) -> Response:
    """The same stack otherwise: as a new job that is linked to this one."""
    made = await run_in_threadpool(_again, ctx, job, fields, who)
    ctx.kick()
    return _see(request, "page_stack", job=made)


def _again(ctx: Context, number: int, fields: Fields, who: str) -> int:
    check_space(ctx)
    job = ctx.store.job(number)
    recipe = one_of(fields, "recipe") or job.recipe
    settings = {
        "leave_out": fields.get("leave_out") or None,
        "reference": one_of(fields, "reference") or None,
    }
    use = [name for name in one_of(fields, "use").split("/") if name]
    before = {name: job.settings.get(name) or None for name in settings}
    if recipe == job.recipe and settings == before and not use:
        if job.state in (JobState.FAILED, JobState.CANCELLED):
            ctx.store.run_again(number, who=who)
            return number
        raise UsageError(
            "Nothing would be different: choose another recipe or reference, or leave out a frame"
        )
    if recipe != job.recipe:
        check_recipe(recipe, None)
    chosen = recipe if recipe != job.recipe else None
    with quota.checked(ctx, job.owner):
        return run_otherwise(ctx.store, number, recipe=chosen, settings=settings, use=use, who=who).job
