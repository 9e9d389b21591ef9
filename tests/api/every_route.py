"""What each route is for, as people decided it: held against the application's routes and the answers to every caller.

A new route needs a line here and one in `nearfar_api.access.rights`; without the latter it is for the role run alone.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator, Mapping
from typing import Any

from fastapi import FastAPI

WORDS = ("open", "look", "all", "submit", "own", "mend", "run")
JOB = "/api/v1/jobs/{job}"
CARD = "/api/v1/cards/{card}"
IIIF = "/iiif/3/{identifier}"
VIEW = IIIF + "/{region}/{size}/{rotation}/{name}"

FOR: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    # By word and method. 'own': someone else's job takes the role run. 'all': it tells of everybody's jobs.
    "open": {
        "GET": (
            *("/health/live", "/health/ready", "/log-in", "/log-in/provider", "/log-in/provider/back"),
            *("/static/{path}", "/fetch/{job}/{name}"),
        ),
        "POST": ("/log-in", "/log-out"),
    },
    "look": {
        "GET": (
            *("/api/openapi.json", "/api/v1/jobs", JOB, JOB + "/units", JOB + "/attempts", JOB + "/frames"),
            *(JOB + "/frames/{number}", JOB + "/files", JOB + "/files/{name}", JOB + "/picture"),
            *(JOB + "/report", JOB + "/preview", JOB + "/sharpest", JOB + "/events", JOB + "/plan"),
            *(JOB + "/mends", JOB + "/mends/{number}", JOB + "/versions", JOB + "/versions/{number}/{which}"),
            *("/api/v1/server", "/api/v1/workers", "/api/v1/recipes", "/api/v1/problems/{name}"),
            *("/api/v1/me", "/api/v1/rights", "/metrics", IIIF, IIIF + "/info.json", VIEW, "/vendor/{path}"),
            *("/", "/live", "/jobs", "/jobs/{job}", "/jobs/{job}/small/{number}.jpg", "/jobs/{job}/picture"),
            *("/jobs/{job}/beside/{other}", "/plan", "/plan/card", "/plan/plan.json", "/account"),
        ),
        "OPTIONS": (IIIF + "/info.json", VIEW),
        "POST": (
            *("/api/v1/plan", "/api/v1/plan/card"),
            *("/account/password", "/account/keys", "/account/keys/{key}/revoke"),
        ),
    },
    "all": {
        "GET": (
            *("/api/v1/events", "/api/v1/trail", "/api/v1/cards", CARD, CARD + "/small/{name}"),
            *("/api/v1/inbox", "/status", "/cards", "/cards/{card}"),
        ),
    },
    "submit": {
        "GET": ("/api/v1/targets", "/messages"),
        "POST": (
            *("/api/v1/jobs", CARD + "/decisions", CARD + "/go", "/cards/{card}/do"),
            *("/api/v1/targets", "/api/v1/targets/{target}/try", "/messages", "/messages/{target}/do"),
        ),
        "DELETE": (CARD + "/decisions", "/api/v1/targets/{target}"),
    },
    "own": {
        "PATCH": (JOB,),
        "PUT": (JOB + "/frames/{number}",),
        "POST": (
            *(JOB + "/cancel", JOB + "/hold", JOB + "/release", JOB + "/run-again", JOB + "/plan"),
            *(JOB + "/deliver", JOB + "/links", "/jobs/{job}/do", "/jobs/{job}/again", "/jobs/{job}/plan"),
        ),
    },
    "mend": {
        "POST": (JOB + "/mends", JOB + "/mends/{number}/redo", "/jobs/{job}/picture"),
        "DELETE": (JOB + "/mends/{number}",),
    },
    "run": {
        "GET": ("/accounts",),
        "PUT": ("/api/v1/server",),
        "POST": ("/server", "/api/v1/links/end", "/accounts", "/accounts/change"),
    },
}
ENTRIES: list[tuple[str, str, str]] = [
    (word, method, path) for word, ways in FOR.items() for method, paths in ways.items() for path in paths
]
"""Word, method, path."""
FILLED = {
    "job": "1",
    "other": "1",
    "number": "1",
    "key": "1",
    "target": "1",
    "name": "moss.tif",
    "which": "picture",
    "card": "9f0c2d7ab1e4c855",
    "path": "nearfar.css",
    "identifier": "job-1",
    "region": "full",
    "size": "max",
    "rotation": "0",
}
"""What stands in the places of names. The file that VIEW asks for is none of the standard's; the door is before that."""


def routes(app: FastAPI) -> set[tuple[str, str]]:
    """Method and path of all that an application answers; HEAD goes with GET."""
    found: set[tuple[str, str]] = set()
    for route in _all(app.routes):
        path = getattr(route, "path_format", None) or route.path
        methods = getattr(route, "methods", None)
        found |= {(method, path) for method in methods or {"GET"}} - {("HEAD", path)}
    return found


def _all(found: Any) -> Iterator[Any]:
    for route in found:
        if hasattr(route, "effective_candidates"):
            yield from _all(route.effective_candidates())
        else:
            yield route


def filled(path: str) -> str:
    """An address of that form."""
    return path.format(**FILLED)


async def ask(app: FastAPI, method: str, path: str, headers: Mapping[str, str]) -> tuple[int, str]:
    """Status, and kind of the problem, of what an application answers; streams are left where they begin."""
    sent: dict[str, str] = {"host": "localhost", "accept": "application/json", **headers}
    path, _, query = path.partition("?")
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "headers": [(name.lower().encode(), value.encode("latin-1")) for name, value in sent.items()],
        "client": ("10.0.0.1", 1),
        "server": ("localhost", 80),
    }
    status, body, read, stream = 0, b"", False, False
    begun = asyncio.Event()

    async def receive() -> dict[str, Any]:
        nonlocal read
        if read:
            await asyncio.sleep(3600)  # whoever asks stays until the answer is there
        read = True
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Mapping[str, Any]) -> None:
        nonlocal status, body, stream
        if message["type"] == "http.response.start":
            status = message["status"]
            stream = any(value.startswith(b"text/event-stream") for _, value in message["headers"])
        elif message["type"] == "http.response.body":
            body += message.get("body", b"")
            if stream:
                begun.set()

    asking = asyncio.ensure_future(app(scope, receive, send))
    began = asyncio.ensure_future(begun.wait())
    await asyncio.wait({asking, began}, return_when=asyncio.FIRST_COMPLETED)
    for task in (asking, began):
        task.cancel()
    await asyncio.gather(asking, began, return_exceptions=True)
    return status, _kind(body)


def _kind(body: bytes) -> str:
    try:
        found = json.loads(body)
    except ValueError:
        return ""
    return str(found.get("type", "")).rpartition("/")[2] if isinstance(found, dict) else ""
