"""Who gets messages about stacks: one's own webhooks, and all targets for whoever runs the server."""

from __future__ import annotations

from typing import Annotated

import anyio.to_thread
from fastapi import APIRouter, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from nearfar.errors import UsageError
from nearfar.jobs.messages.outbox import EVENTS, USUAL
from nearfar_api import targets
from nearfar_api.access.caller import By, Caller
from nearfar_api.context import Context, Ctx
from nearfar_api.models.answers import moment
from nearfar_api.pages.acting import Fields, Form, one_of
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.routes.targets import TURNS

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("/messages", name="page_messages")
def show_messages(request: Request, ctx: Ctx, by: By) -> Response:
    """The page."""
    return _page(request, ctx, by)


def _page(
    request: Request,
    ctx: Context,
    by: Caller,
    *,
    why: str = "",
    told: str = "",
    made: str = "",
    status: int = 200,
) -> Response:
    found = [(target, moment(target.created) or "", last) for target, last in targets.seen(ctx, by)]
    shown = {"targets": found, "events": list(EVENTS.values()), "usual": USUAL}
    return draw(request, "messages.html", status=status, why=why, told=told, made=made, **shown)


@router.post("/messages", name="page_add_target")
async def add(
    request: Request,
    ctx: Ctx,
    by: By,
    fields: Form,
) -> Response:
    """A new webhook; its secret stands on the page that answers and nowhere else."""
    return await run_in_threadpool(_add, request, ctx, by, fields)


def _add(request: Request, ctx: Context, by: Caller, fields: Fields) -> Response:
    try:
        address, owner = one_of(fields, "address").strip(), one_of(fields, "owner") or None
        made = targets.add(ctx, by, address, about=fields.get("about", []), owner=owner)
    except UsageError as error:
        return _page(request, ctx, by, why=str(error), status=422)
    return _page(request, ctx, by, made=made.secret or "")


@router.post("/messages/{target}/do", name="page_do_target")
async def act(
    request: Request,
    ctx: Ctx,
    by: By,
    target: Annotated[int, Path(ge=1, lt=2**63)],
    fields: Form,
) -> Response:
    """Try a target, or remove it."""
    found = await run_in_threadpool(targets.one, ctx, by, target)
    told = ""
    match one_of(fields, "do"):
        case "try":
            arrived, answer = await anyio.to_thread.run_sync(
                lambda: targets.try_now(ctx, found, by=by), limiter=TURNS
            )
            told = f"The test message {'arrived' if arrived else 'did not arrive'}: {answer}"
        case "remove":
            await run_in_threadpool(lambda: targets.remove(ctx, found, by=by))
        case other:
            raise UsageError(f"{other!r} is not an action on a target")
    return await run_in_threadpool(lambda: _page(request, ctx, by, told=told))
