"""One's own account: what one may do, the password, keys for programs, where one is logged in."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from nearfar.errors import UsageError
from nearfar.jobs import Account, People, Role
from nearfar.jobs.people import passwords
from nearfar_api.access.caller import By, Caller
from nearfar_api.context import Context, Ctx
from nearfar_api.models.answers import moment
from nearfar_api.pages.acting import Fields, Form, one_of
from nearfar_api.pages.browsers import browser_words
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.entering import access_of, begin, check_accounts
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.problems import Problem
from nearfar_api.quota import quota

router = APIRouter(include_in_schema=False, route_class=PageRoute)

LONGEST_DAYS = 3650.0


def _own(request: Request, caller: Caller) -> str:
    """The account; raises `Problem` if someone came otherwise than by logging in."""
    check_accounts(access_of(request))
    if caller.how != "session" or caller.account is None:
        raise Problem("no-right", "This is for people who logged in; a key cannot do it.", needs="session")
    return caller.account


@router.get("/account", name="page_account")
def show_account(request: Request, ctx: Ctx, by: By) -> Response:
    """The page."""
    return _page(request, ctx, _own(request, by))


def _page(
    request: Request, ctx: Context, name: str, *, why: str = "", made: str = "", status: int = 200
) -> Response:
    people = People(ctx.store)
    account = people.account(name)
    page = draw(
        request,
        "account.html",
        status=status,
        account=account,
        roles=[role for role in Role if account.role.covers(role)],
        keys=[
            (key, state, moment(key.expires), moment(key.used)) for key, state in people.keys(account=name)
        ],
        sessions=[
            (session, moment(session.seen) or "", browser_words(session.agent))
            for session in people.sessions(name)
        ],
        taken=quota.standing(ctx, name),
        shortest=passwords.SHORTEST,
        why=why,
        made=made,
    )
    page.headers["referrer-policy"] = "same-origin"
    return page


@router.post("/account/password", name="page_password")
async def set_password(
    request: Request,
    ctx: Ctx,
    by: By,
    fields: Form,
) -> Response:
    """A new password for whoever knows the old one; all other sessions end."""
    name = _own(request, by)
    old, new, again = (one_of(fields, field) for field in ("old", "new", "again"))
    people = await run_in_threadpool(lambda: People(ctx.store))
    if new != again:
        return await run_in_threadpool(_wrong, request, ctx, name, "The two new passwords differ.")
    found = await run_in_threadpool(
        lambda: people.try_password(name, old, source=f"session:{name}", known=True, address="")
    )
    if not isinstance(found, Account):
        why = "The old password is not right." if found == 0 else f"Too many tries. Wait {found:.0f} s."
        return await run_in_threadpool(_wrong, request, ctx, name, why)
    try:
        await run_in_threadpool(lambda: people.change(name, password=new, who=by.name))
    except UsageError as error:
        return await run_in_threadpool(_wrong, request, ctx, name, str(error))
    return await begin(request, people, found, how="password", after="/account")


def _wrong(request: Request, ctx: Context, name: str, why: str) -> Response:
    return _page(request, ctx, name, why=why, status=422)


@router.post("/account/keys", name="page_make_key")
async def make_key(
    request: Request,
    ctx: Ctx,
    by: By,
    fields: Form,
) -> Response:
    """A new key, shown on the page that answers and nowhere else."""
    name = _own(request, by)
    return await run_in_threadpool(_make_key, request, ctx, name, fields, by.name)


def _make_key(request: Request, ctx: Context, name: str, fields: Fields, who: str) -> Response:
    scopes = [Role(scope) for scope in fields.get("scope", []) if scope in set(Role)]
    try:
        _, secret = People(ctx.store).make_key(
            account=name,
            name=one_of(fields, "name"),
            scopes=scopes,
            days=_days(one_of(fields, "days")),
            who=who,
        )
    except UsageError as error:
        return _wrong(request, ctx, name, str(error))
    return _page(request, ctx, name, made=secret)


def _days(text: str) -> float | None:
    try:
        days = float(text) if text.strip() else None
    except ValueError:
        days = 0.0
    if days is not None and not 0 < days <= LONGEST_DAYS:
        raise UsageError(f"{text[:20]!r} days: expected a number up to {LONGEST_DAYS:g}, or nothing")
    return days


@router.post("/account/keys/{key}/revoke", name="page_revoke_key")
async def revoke_key(
    request: Request, ctx: Ctx, by: By, key: Annotated[int, Path(ge=1, lt=2**63)]
) -> Response:
    """End a key of one's own."""
    name = _own(request, by)
    return await run_in_threadpool(_revoke, request, ctx, name, key, by.name)


def _revoke(request: Request, ctx: Context, name: str, number: int, who: str) -> Response:
    people = People(ctx.store)
    if number not in {key.id for key, _ in people.keys(account=name)}:
        raise Problem("not-found", f"You have no key {number}.")
    people.revoke_key(number, who=who)
    return _page(request, ctx, name)
