"""Logging in and out. A session begins with a new token each time; what failed before is counted by `jobs.tries`."""

from __future__ import annotations

import math
import re
import secrets
from dataclasses import dataclass

import anyio
import anyio.to_thread
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from nearfar.jobs import Account, People
from nearfar.jobs.people.accounts import folded
from nearfar_api.access import cookies
from nearfar_api.access.access import Access
from nearfar_api.context import Ctx
from nearfar_api.pages.acting import Form, one_of
from nearfar_api.pages.drawing import address, draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.problems import Problem

router = APIRouter(include_in_schema=False, route_class=PageRoute)

OWN_PATH = re.compile(r"/(?![/\\])[!-~]{0,2000}")
"""A place on this server: no other host, no control characters."""
TURNS = anyio.CapacityLimiter(4)
"""Passwords take long to check: at most so many at a time, so that other requests have threads."""
REMEMBERED = 8
"""Accounts whose log-ins one browser remembers."""


def access_of(request: Request) -> Access:
    """The rules of this application."""
    found = request.app.state.access
    assert isinstance(found, Access)  # noqa: S101 - create_app put it there
    return found


def check_accounts(access: Access) -> None:
    """Raises `Problem` if nobody logs in here."""
    if not access.settings.server.accounts:
        raise Problem("not-found", "Nobody logs in at this server (accounts in [server] of its settings).")


@router.get("/log-in", name="page_log_in")
def show_log_in(request: Request, ctx: Ctx, next: str = "") -> Response:  # noqa: A002 - as the address has it
    """The form, and how to begin if nobody has an account yet."""
    check_accounts(access_of(request))
    nobody = access_of(request).settings.people.provider is None and not People(ctx.store).accounts()
    return _form(request, next_=next, nobody=nobody)


def _form(
    request: Request, *, next_: str, name: str = "", why: str = "", status: int = 200, nobody: bool = False
) -> Response:
    provider = access_of(request).settings.people.provider
    shown = {"next": next_, "name": name, "why": why, "provider": provider, "nobody": nobody}
    return draw(request, "log_in.html", status=status, **shown)


@router.post("/log-in", name="page_enter")
async def enter(request: Request, ctx: Ctx, fields: Form) -> Response:
    """Let someone in, or say that name and password do not go together, and no more."""
    access = access_of(request)
    check_accounts(access)
    name, password, after = (one_of(fields, field) for field in ("name", "password", "next"))
    people = await run_in_threadpool(lambda: People(ctx.store))
    secret = await run_in_threadpool(people.secret, "cookies")
    browser = _remembered(secret, request)
    known = folded(name) in browser.names
    near = access.address(request.scope) or "unknown"
    source = f"browser:{browser.id}" if known else near
    found = await anyio.to_thread.run_sync(
        lambda: people.try_password(name, password, source=source, known=known, address=near), limiter=TURNS
    )
    if isinstance(found, Account):
        answer = await begin(request, people, found, how="password", after=after)
        _remember(answer, request, secret, browser, found.name)
        return answer
    if found > 0:
        seconds = math.ceil(found)
        why = f"Too many tries. Wait {seconds} s, then try again."
        answer = _form(request, next_=after, name=name, why=why, status=429)
        answer.headers["retry-after"] = str(seconds)
        return answer
    return _form(request, next_=after, name=name, why="Name and password do not go together.", status=403)


async def begin(request: Request, people: People, account: Account, *, how: str, after: str) -> Response:
    """Begin a session instead of the one that the browser may have, and go on to where someone wanted to."""
    access = access_of(request)
    ends = access.settings.people
    await run_in_threadpool(
        lambda: people.forget_sessions(idle=3600 * ends.idle, longest=86400 * ends.longest)
    )
    token = await run_in_threadpool(
        lambda: people.begin_session(
            account.name,
            address=access.address(request.scope),
            agent="".join(c for c in request.headers.get("user-agent", "") if c.isprintable()),
            how=how,
            instead_of=cookies.read(request.headers, cookies.SESSION),
        )
    )
    root = request.scope.get("root_path", "")
    to = f"{root}{after}" if OWN_PATH.fullmatch(after) else address(request, "page_overview")
    answer = RedirectResponse(to, 303, headers={"cache-control": "no-store"})
    seconds, secure = 86400 * ends.longest, access.secure(request.scope)
    cookies.give(answer, request.scope, cookies.SESSION, token, seconds=seconds, secure=secure)
    return answer


@dataclass(frozen=True, kw_only=True)
class _Browser:
    """A browser, and the accounts that it logged in to before."""

    id: str
    names: tuple[str, ...]


def _remembered(secret: bytes, request: Request) -> _Browser:
    found = cookies.checked(secret, cookies.KNOWN, cookies.read(request.headers, cookies.KNOWN))
    if found is None:
        return _Browser(id=secrets.token_urlsafe(12), names=())
    return _Browser(id=str(found["id"]), names=tuple(found["names"]))


def _remember(answer: Response, request: Request, secret: bytes, browser: _Browser, name: str) -> None:
    names = [folded(name), *(known for known in browser.names if known != folded(name))][:REMEMBERED]
    value = cookies.signed(secret, cookies.KNOWN, {"id": browser.id, "names": names})
    secure = access_of(request).secure(request.scope)
    cookies.give(answer, request.scope, cookies.KNOWN, value, seconds=cookies.YEAR, secure=secure)


@router.post("/log-out", name="page_leave")
async def leave(request: Request, ctx: Ctx) -> Response:
    """End the session, here and in the store."""
    access = access_of(request)
    check_accounts(access)
    token = cookies.read(request.headers, cookies.SESSION)
    if token is not None:
        await run_in_threadpool(lambda: People(ctx.store).end_session(token))
    answer = RedirectResponse(address(request, "page_log_in"), 303, headers={"cache-control": "no-store"})
    cookies.take(answer, request.scope, cookies.SESSION, secure=access.secure(request.scope))
    answer.headers["clear-site-data"] = '"cache"'
    return answer
