"""Server-sent events on the wire (WHATWG HTML Living Standard, section 9.2) and the response that carries them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

KEEP_ALIVE = 15.0
"""Seconds of silence after which a comment shows that the connection lives."""
STILL_HERE = b": still here\n\n"


def message(event: str, data: str, *, place: str | None = None) -> bytes:
    """One event; ``place`` becomes its id."""
    lines = [f"id: {place}"] if place is not None else []
    lines.append(f"event: {event}")
    lines += [f"data: {line}" for line in data.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    return ("\n".join(lines) + "\n\n").encode()


def retry(seconds: float) -> bytes:
    """How long browsers wait before they come back."""
    return f"retry: {round(seconds * 1000)}\n\n".encode()


class EventStream(Response):
    """Sends what a generator gives until it ends or the listener goes; closes the generator in both cases."""

    def __init__(self, source: AsyncGenerator[bytes, None]) -> None:
        self.source = source
        self.status_code = 200
        self.background = None  # and no body, from which a length would be told
        self.init_headers(
            {
                "content-type": "text/event-stream",
                "cache-control": "no-store",
                "x-accel-buffering": "no",
            }
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the end."""
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        if scope.get("nearfar.method") == "HEAD":
            await self.source.aclose()
            await send({"type": "http.response.body", "body": b""})
            return
        sending = asyncio.create_task(self._send(send))
        leaving = asyncio.create_task(_gone(receive))
        try:
            await asyncio.wait({sending, leaving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sending, leaving):
                task.cancel()
            with contextlib.suppress(asyncio.CancelledError, OSError):
                await sending
            await self.source.aclose()

    async def _send(self, send: Send) -> None:
        async for piece in self.source:
            await send({"type": "http.response.body", "body": piece, "more_body": True})
        await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
