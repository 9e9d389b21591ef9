"""All accounts, for whoever runs the server: make one, change its role, give it another password, close or remove it."""

from __future__ import annotations

import secrets

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from nearfar.errors import StoreError, StoreUnreachable, UsageError
from nearfar.jobs import People, Role
from nearfar_api.access.caller import By, Caller
from nearfar_api.context import Context, Ctx
from nearfar_api.models.answers import moment
from nearfar_api.pages.acting import Fields, Form, one_of
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.entering import access_of, check_accounts
from nearfar_api.pages.refusing import PageRoute

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("/accounts", name="page_accounts")
def show_accounts(request: Request, ctx: Ctx) -> Response:
    """The page."""
    return _page(request, ctx)


def _page(
    request: Request, ctx: Context, *, why: str = "", made: tuple[str, str] | None = None, status: int = 200
) -> Response:
    check_accounts(access_of(request))
    people = People(ctx.store)
    known = people.keys()
    return draw(
        request,
        "accounts.html",
        status=status,
        here="accounts",
        accounts=[(account, moment(account.created) or "") for account in people.accounts()],
        keys=[(key, state, moment(key.used)) for key, state in known if state == "good"],
        roles=list(Role),
        why=why,
        made=made,
    )


@router.post("/accounts", name="page_add_account")
async def add(
    request: Request,
    ctx: Ctx,
    by: By,
    fields: Form,
) -> Response:
    """A new account with a password that is shown once."""
    return await run_in_threadpool(_add, request, ctx, fields, by)


def _add(request: Request, ctx: Context, fields: Fields, by: Caller) -> Response:
    check_accounts(access_of(request))
    password = secrets.token_urlsafe(16)
    try:
        made = People(ctx.store).add(
            one_of(fields, "name"), role=_role(fields), password=password, who=by.name
        )
    except StoreUnreachable:
        raise
    except (UsageError, StoreError) as error:
        return _page(request, ctx, why=str(error), status=422)
    return _page(request, ctx, made=(made.name, password))


def _role(fields: Fields) -> Role:
    word = one_of(fields, "role")
    if word not in set(Role):
        raise UsageError(f"{word!r} is not a role; there are {', '.join(Role)}")
    return Role(word)


@router.post("/accounts/change", name="page_change_account")
async def change(
    request: Request,
    ctx: Ctx,
    by: By,
    fields: Form,
) -> Response:
    """What the buttons of a line do; nobody changes their own line, so that someone who runs the server remains."""
    return await run_in_threadpool(_change, request, ctx, fields, by)


def _change(request: Request, ctx: Context, fields: Fields, by: Caller) -> Response:
    check_accounts(access_of(request))
    people = People(ctx.store)
    account, act = people.account(one_of(fields, "name")), one_of(fields, "do")
    if account.name == by.account:
        return _page(request, ctx, why="Nobody changes the account that they logged in with.", status=422)
    made = None
    match act:
        case "role":
            people.change(account.name, role=_role(fields), who=by.name)
        case "password":
            made = (account.name, secrets.token_urlsafe(16))
            people.change(account.name, password=made[1], who=by.name)
        case "close" | "open":
            people.change(account.name, closed=act == "close", who=by.name)
        case "remove":
            people.remove(account.name, who=by.name)
        case _:
            raise UsageError(f"{act!r} is not an action on an account")
    return _page(request, ctx, made=made)
