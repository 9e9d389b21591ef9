"""Errors as pages for people: what happened, what to do, and the way back; programs get problems elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any

from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from nearfar.errors import NearfarError
from nearfar_api.handlers import problem_of
from nearfar_api.pages.drawing import address, draw
from nearfar_api.problems import KINDS, Problem

Handler = Callable[[Request], Coroutine[Any, Any, Response]]


class PageRoute(APIRoute):
    """A route whose refusals are pages."""

    def get_route_handler(self) -> Handler:
        """As FastAPI makes it, with refusals drawn."""
        handle = super().get_route_handler()

        async def for_people(request: Request) -> Response:
            try:
                return await handle(request)
            except NearfarError as error:
                return refusal(request, problem_of(error))
            except Problem as problem:
                return refusal(request, problem)
            except RequestValidationError:
                return refusal(request, Problem("not-found", "There is no such page."))

        return for_people


def refusal(request: Request, problem: HTTPException) -> Response:
    """The page for a problem."""
    kind = KINDS.get(getattr(problem, "kind", ""))
    page = draw(
        request,
        "refused.html",
        status=problem.status_code,
        title=kind.title if kind else "That did not work",
        detail=str(problem.detail),
        remedy=kind.remedy if kind else "",
        back=_back(request),
        again=_again(request, problem),
    )
    page.headers.update(problem.headers or {})
    return page


def _again(request: Request, problem: HTTPException) -> str | None:
    """Seconds after which the page looks again by itself; None: it does not."""
    if problem.status_code != 503 or request.method not in ("GET", "HEAD"):
        return None
    return (problem.headers or {}).get("retry-after")


def _back(request: Request) -> str:
    """The stack that a request was about, else the overview."""
    job = request.path_params.get("job")
    if request.method == "POST" and str(job).isascii() and str(job).isdigit():
        return address(request, "page_stack", job=job)
    return address(request, "page_overview")
