"""Logging in at a provider: off to it, and back with what it says. An account is found by issuer and subject alone.

A newcomer never gets an account that is there already, whatever the provider calls them: the name proves nothing.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from nearfar.errors import StoreError, StoreUnreachable, UsageError
from nearfar.jobs import Account, People, Role
from nearfar_api.access import cookies
from nearfar_api.access.oidc import Flight, Provider
from nearfar_api.context import Context, Ctx
from nearfar_api.pages.drawing import address
from nearfar_api.pages.entering import access_of, begin, check_accounts
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.problems import Problem

router = APIRouter(include_in_schema=False, route_class=PageRoute)

LONGEST = 600.0
"""Seconds that logging in at the provider may take."""


def _provider(request: Request) -> Provider:
    """The one of the settings, made once for an application; raises `Problem` if there is none."""
    check_accounts(access_of(request))
    people = access_of(request).settings.people
    if people.provider is None:
        raise Problem("not-found", "People have passwords here; no provider stands in the settings.")
    found = getattr(request.app.state, "provider", None)
    if not isinstance(found, Provider):
        found = Provider(people.provider, people.client or "", people.secret or "")
        request.app.state.provider = found
    return found


def _back(request: Request) -> str:
    scheme = "https" if access_of(request).secure(request.scope) else "http"
    return f"{scheme}://{request.headers.get('host', '')}{address(request, 'page_provider_back')}"


@router.get("/log-in/provider", name="page_provider")
async def depart(request: Request, ctx: Ctx, next: str = "") -> Response:  # noqa: A002 - as the address has it
    """Off to the provider."""
    provider = _provider(request)
    url, flight = await run_in_threadpool(provider.depart, _back(request), next[:2000])
    secret = await run_in_threadpool(lambda: People(ctx.store).secret("cookies"))
    answer = RedirectResponse(url, 303, headers={"cache-control": "no-store"})
    value = cookies.signed(secret, cookies.FLIGHT, asdict(flight))
    secure = access_of(request).secure(request.scope)
    cookies.give(answer, request.scope, cookies.FLIGHT, value, seconds=LONGEST, secure=secure)
    return answer


@router.get("/log-in/provider/back", name="page_provider_back")
async def arrive(request: Request, ctx: Ctx) -> Response:
    """Back from it."""
    provider = _provider(request)
    people = await run_in_threadpool(lambda: People(ctx.store))
    secret = await run_in_threadpool(people.secret, "cookies")
    kept = cookies.checked(secret, cookies.FLIGHT, cookies.read(request.headers, cookies.FLIGHT))
    if kept is None:
        raise Problem("no-account", "This browser did not start to log in here; start again.")
    flight = Flight(**kept)
    try:
        claims = await run_in_threadpool(provider.arrive, dict(request.query_params), _back(request), flight)
        account = await run_in_threadpool(_account, ctx, people, provider, claims)
    except Problem as problem:
        await run_in_threadpool(_note, people, request, str(problem.detail))
        raise
    answer = await begin(request, people, account, how="provider", after=flight.next)
    cookies.take(answer, request.scope, cookies.FLIGHT, secure=access_of(request).secure(request.scope))
    return answer


def _note(people: People, request: Request, why: str) -> None:
    detail = {"why": why, "address": access_of(request).address(request.scope)}
    people.note("login.refused", who="nobody", detail=detail)


def _account(ctx: Context, people: People, provider: Provider, claims: dict[str, Any]) -> Account:
    subject = provider.subject(claims)
    found = people.by_subject(subject)
    if found is not None:
        if found.closed:
            raise Problem("no-account", "This account is closed.")
        return found
    settings = ctx.settings.people
    if not settings.newcomers:
        raise Problem(
            "no-account",
            f"Nobody here is {claims['sub']!r} of the provider. Whoever runs the server can say who that is: "
            "nearfar account change NAME --subject SUBJECT.",
        )
    name = str(claims.get(settings.claim) or "")
    try:
        return people.add(name, role=Role(settings.newcomers), subject=subject, who="provider")
    except StoreUnreachable:
        raise
    except (UsageError, StoreError) as error:
        raise Problem("no-account", f"No account can be made: {error}.") from error
