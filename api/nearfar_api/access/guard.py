"""Around every request: a number, access, a size limit, safe headers, one line in the log."""

from __future__ import annotations

import logging
import re
import time
import uuid
from collections.abc import MutableMapping
from http import HTTPStatus
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from nearfar.errors import NearfarError
from nearfar_api.access import late, refusals
from nearfar_api.access.access import Access
from nearfar_api.access.caller import caller_of
from nearfar_api.handlers import problem_of
from nearfar_api.problems import Problem
from nearfar_api.web import VIEWER_STYLE

log = logging.getLogger(__name__)

LARGEST_BODY = 4 << 20
"""The most bytes of a request's body, except for frames."""
UPLOAD = re.compile(r"/api/v1/jobs/[0-9]+/frames/[0-9]+")
"""Addresses of uploads, which have a limit of their own."""
HEADERS = {
    "content-security-policy": f"default-src 'self'; style-src 'self' '{VIEWER_STYLE}'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'; object-src 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
AGAIN = 20.0
"""Seconds between two checks whether a listener to events still may listen to them."""
QUIET = ("/health/", "/metrics", "/static/", "/vendor/", "/iiif/")
"""Addresses that are requested so often that only failures are logged."""


def path_within(scope: Scope) -> str:
    """The path below the server's root path, whether a proxy took that off or not."""
    path, root = str(scope["path"]), str(scope.get("root_path", ""))
    if root and (path == root or path.startswith(root + "/")):
        return path[len(root) :] or "/"
    return path


class Guard:
    """ASGI middleware around the whole application, whose public addresses begin with ``root``."""

    def __init__(self, app: ASGIApp, *, access: Access, root: str = "") -> None:
        self.app = app
        self.access = access
        self.root = root

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if self.root:
            # ASGI wants the whole path, whether a proxy took the sub-path off or not.
            scope["root_path"] = self.root
            scope["path"] = self.root + path_within(scope)
        await _Passage(self, scope, receive, send).run()


class _Passage:
    """One request on its way through the guard."""

    def __init__(self, guard: Guard, scope: Scope, receive: Receive, send: Send) -> None:
        self.guard, self.scope, self._receive, self._send = guard, scope, receive, send
        self.id = str(uuid.uuid4())
        self.method = scope["method"]
        self.path = path_within(scope)
        self.began = time.monotonic()
        self.status = 0
        self.read = self.sent = 0
        self.looked: float | None = None
        self.over = False
        scope["nearfar.id"] = self.id
        scope["nearfar.method"] = self.method
        # the sub-path without its last slash
        if scope.get("root_path") and scope["path"] == scope["root_path"]:
            scope["path"] += "/"
        if self.method == "HEAD":  # RFC 9110, 9.3.2: as GET, without the content
            scope["method"] = "GET"

    async def run(self) -> None:
        try:
            patient = self.method not in late.READS or self.path.startswith(late.PATIENT)
            await late.in_time(self._pass, self.send, patient=patient)
        except late.Late:
            await self._answer(await late.problem(self.scope["app"].state.context))
        except Problem as problem:
            await self._answer(problem)
        except NearfarError as error:  # the store could not be asked who that is
            if self.status:
                raise
            await self._answer(problem_of(error))
        except Exception as error:
            if not await self._mistake(error):
                raise
        finally:
            self._tell()

    async def _pass(self, send: Send) -> None:
        caller = await self.guard.access.admit(self.scope, method=self.method, path=self.path)
        self.scope["nearfar.caller"], self.scope["nearfar.who"] = caller, caller.name
        self._check_length(Headers(scope=self.scope))
        await self.guard.app(self.scope, self.receive, send)

    def _check_length(self, headers: Headers) -> None:
        length = headers.get("content-length", "0")
        if length.isdecimal() and int(length) > LARGEST_BODY and not self._upload():
            raise _too_large(int(length))

    def _upload(self) -> bool:
        return self.method == "PUT" and UPLOAD.fullmatch(self.path) is not None

    async def receive(self) -> Message:
        message = await self._receive()
        self.read += len(message.get("body", b""))
        if self.read > LARGEST_BODY and not self._upload():
            raise _too_large(self.read)
        return message

    async def send(self, message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("cache-control", "no-cache")
            headers["x-request-id"] = self.id
            if headers.get("content-type", "").startswith("text/event-stream"):
                self.looked = time.monotonic()
        elif self.method == "HEAD":
            message = dict(message) | {"body": b""}
        if self.looked is not None and message["type"] == "http.response.body":
            message = await self._still_listens(message)
            if self.over and message.get("more_body", False):
                return
        self.sent += len(message.get("body", b""))
        await self._send(message)

    async def _still_listens(self, message: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        """The message, or the end of a stream of events if its listener has logged out or lost the key."""
        assert self.looked is not None  # noqa: S101 - as it was asked
        if not self.over and time.monotonic() - self.looked >= AGAIN:
            self.looked = time.monotonic()
            if not await self.guard.access.still(caller_of(self.scope)):
                self.over = True
                return dict(message) | {"body": b"", "more_body": False}
        return message

    async def _answer(self, problem: Problem) -> None:
        response = await refusals.refuse(self.guard.access, self.scope, problem, path=self.path)
        await response(self.scope, self._receive, self.send)

    async def _mistake(self, error: Exception) -> bool:
        """Log an unexpected error and answer with its number only; False if an answer has begun already."""
        log.error("request %s failed: %s", self.id, error, exc_info=error, extra={"action": "http.mistake"})
        if self.status:
            return False
        detail = f"The request could not be answered; the server's log says why under {self.id}."
        await self._answer(Problem("mistake", detail))
        return True

    def _tell(self) -> None:
        if self.path.startswith(QUIET) and self.status < HTTPStatus.BAD_REQUEST:
            return
        raw = self.scope.get("raw_path") or self.path.encode("utf-8", "replace")
        log.info(
            "%s %s -> %d in %d ms, %d bytes in, %d out, by %s, %s",
            self.method,
            ascii(raw.decode("ascii", "replace"))[1:-1],  # no line break gets into the log
            self.status,
            round(1000 * (time.monotonic() - self.began)),
            self.read,
            self.sent,
            ascii(caller_of(self.scope).name),
            self.id,
            extra={"action": "http.request"},
        )


def _too_large(size: int) -> Problem:
    return Problem(
        "too-large", f"The body has {size} bytes; at most {LARGEST_BODY} are taken here.", limit=LARGEST_BODY
    )
