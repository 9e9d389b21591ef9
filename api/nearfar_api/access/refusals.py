"""Answers to refused requests: a problem for programs, a page or the log-in for people; and their lines in the trail."""

from __future__ import annotations

import logging
import threading
import time
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import Scope

from nearfar.errors import NearfarError
from nearfar_api import problems
from nearfar_api.access.access import Access
from nearfar_api.access.caller import caller_of
from nearfar_api.pages.refusing import refusal
from nearfar_api.problems import Problem

log = logging.getLogger(__name__)

PROGRAMS = ("/api/", "/iiif/", "/metrics", "/health/", "/fetch/")
"""Addresses for programs; all others are for people."""
REST = 60.0
"""Seconds between two lines in the trail about the same refusal."""
MOST = 1000
_told: dict[tuple[str, str, str], float] = {}
_lock = threading.Lock()


async def refuse(access: Access, scope: Scope, problem: Problem, *, path: str) -> Response:
    """The answer to a refused request."""
    root, instance = scope.get("root_path", ""), scope["nearfar.id"]
    await _note(access, scope, problem, path)
    headers = Headers(scope=scope)
    for_people = "text/html" in headers.get("accept", "") and not path.startswith(PROGRAMS)
    if problem.kind == "no-key" and access.settings.server.accounts:
        to = f"{root}/log-in"
        if scope["nearfar.method"] in {"GET", "HEAD"} and path != "/":
            query = scope.get("query_string", b"").decode("latin-1")
            to += f"?next={quote(path + (f'?{query}' if query else ''), safe='')}"
        if for_people and "hx-request" not in headers:
            return RedirectResponse(to, 303, headers={"cache-control": "no-store"})
    if for_people and problem.kind in {
        "no-right",
        "not-found",
        "foreign-origin",
        "store-unreachable",
        "late",
    }:
        return refusal(Request(scope), problem)
    return problems.answer_for(problem, instance=instance, root=root)


async def _note(access: Access, scope: Scope, problem: Problem, path: str) -> None:
    """Record a refusal in the trail, but only one of many alike."""
    caller, address = caller_of(scope), access.address(scope)
    shown = "authorization" in Headers(scope=scope)
    if problem.kind == "no-right":
        action, detail = "right.refused", {"needs": problem.extras.get("needs")}
    elif problem.kind == "no-key" and shown:
        action, detail = "key.refused", {}
    else:
        return
    if not _worth_telling((action, caller.name, address)):
        return
    detail |= {"method": scope["nearfar.method"], "path": ascii(path)[1:-1][:200], "address": address}
    try:
        await run_in_threadpool(access.note, action, caller.name, detail)
    except NearfarError as error:
        log.warning("a refusal is not in the trail: %s", error, extra={"action": "trail.away"})


def _worth_telling(what: tuple[str, str, str]) -> bool:
    now = time.monotonic()
    with _lock:
        if now - _told.get(what, -REST) < REST:
            return False
        if len(_told) >= MOST:
            _told.clear()
        _told[what] = now
    return True
