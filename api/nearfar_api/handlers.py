"""From errors to problems: ours by a table, the framework's own, and mistakes, which go to the log and not out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Match

from nearfar.errors import (
    BucketAway,
    BucketRefused,
    IllegalTransition,
    InputRefused,
    KeyReused,
    NearfarError,
    NotFound,
    StoreError,
    StoreUnreachable,
    UsageError,
)
from nearfar_api import problems
from nearfar_api.access.caller import Caller
from nearfar_api.problems import Problem

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
SHOWN = 20
"""Places of one request whose faults are listed."""

FULL = ("disk is full", "No space left on device")
"""How SQLite and PostgreSQL say it."""
STORE_AT = re.compile(r"\bjob store [a-z0-9+]+://[^\s:]*(:[^\s:]+)*")
"""The store with its address, which is only for whoever runs the server."""


def install(app: FastAPI) -> None:
    """Give an application all handlers."""
    app.add_exception_handler(NearfarError, _ours)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)


def problem_of(error: NearfarError) -> Problem:
    """The problem that describes one of our errors."""
    match error:
        case StoreUnreachable():
            retry = {"retry-after": str(problems.RETRY_AFTER)}
            full = any(words in str(error) for words in FULL)
            why = (
                "takes nothing: its disk is full. Make room there."
                if full
                else "does not answer at the moment."
            )
            return Problem("store-unreachable", f"The job store {why}", headers=retry)
        case NotFound():
            return Problem("not-found", str(error))
        case IllegalTransition():
            return Problem("wrong-state", str(error), state=error.state, possible=list(error.possible))
        case KeyReused():
            return Problem("key-reused", str(error))
        case StoreError():
            return Problem("refused-by-store", STORE_AT.sub("the job store", str(error)))
        case BucketAway():
            return Problem("bucket-away", str(error), headers={"retry-after": str(problems.RETRY_AFTER)})
        case BucketRefused():
            return Problem("bucket-refused", str(error))
        case InputRefused():
            return Problem("refused", str(error))
        case UsageError():
            return Problem("invalid", str(error), errors=[])
        case _:
            return Problem("refused", str(error))


def reason_for(error: NearfarError, by: Caller) -> str:
    """Why something is not possible: with the addresses of the inside for whoever runs the server, else the plain fact."""
    return str(error) if by.runs else str(problem_of(error).detail)


def _answer(request: Request, problem: Problem) -> Response:
    return problems.answer_for(
        problem, instance=request.scope["nearfar.id"], root=request.scope.get("root_path", "")
    )


async def _ours(request: Request, error: Exception) -> Response:
    assert isinstance(error, NearfarError)  # noqa: S101 - as it was registered
    request.scope["nearfar.cause"] = str(error)
    return _answer(request, problem_of(error))


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101
    if isinstance(error, Problem):
        return _answer(request, error)
    headers = {name.casefold(): value for name, value in (error.headers or {}).items()}
    path, method = request.url.path, request.scope.get("nearfar.method", request.method)
    details = {404: f"There is nothing at {path}.", 405: f"{method} is not possible at {path}; see Allow."}
    if error.status_code == 405:
        headers["allow"] = ", ".join(allowed(request))
    if error.status_code == 400:
        return _answer(request, Problem("malformed", "The body could not be read."))
    return problems.answer(
        error.status_code,
        detail=details.get(error.status_code, str(error.detail)),
        instance=request.scope["nearfar.id"],
        headers=headers,
    )


def allowed(request: Request) -> list[str]:
    """Methods that the address of a request knows (RFC 9110, 10.2.1)."""
    routes: Sequence[BaseRoute] = request.app.router.routes

    def knows(method: str) -> bool:
        scope = dict(request.scope) | {"method": method}
        return any(route.matches(scope)[0] is Match.FULL for route in routes)

    found = [method for method in METHODS if knows(method)]
    return sorted({*found, "HEAD"}) if "GET" in found else found


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101
    faults = error.errors()
    if any(fault["type"] == "json_invalid" for fault in faults):
        why = faults[0].get("ctx", {}).get("error", "it is not JSON")
        return _answer(request, Problem("malformed", f"The body is not readable as JSON: {why}."))
    told = [_fault(fault) for fault in faults[:SHOWN]]
    first = told[0]
    where = first.get("pointer") or first.get("parameter")
    detail = f"{where}: {first['detail']}" + (f" (and {len(faults) - 1} more)" if len(faults) > 1 else "")
    return _answer(request, Problem("invalid", detail, errors=told))


def _fault(fault: Any) -> dict[str, str]:
    """Place and reason; places in a body as JSON pointers, as in the example of RFC 9457, section 3."""
    source, *rest = fault["loc"]
    reason = str(fault["msg"]).removeprefix("Value error, ")
    if source == "body":
        parts = [str(part).replace("~", "~0").replace("/", "~1") for part in rest]
        return {"detail": reason, "pointer": "#" + "".join(f"/{part}" for part in parts)}
    return {"detail": reason, "parameter": ".".join(str(part) for part in rest), "in": str(source)}
