"""Requests that hang are answered nevertheless: with what is missing, and when to ask again.

If the server of a share is gone, every access to the share hangs, in a thread that cannot be ended. The request is answered
without it, and the thread ends when the share is back.
"""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Awaitable, Callable

from starlette.types import Message, Send

from nearfar_api import problems
from nearfar_api.context import Context
from nearfar_api.problems import Problem
from nearfar_api.status import readiness

LATEST = 12.0
"""Seconds within which an answer has to begin; a store that does not answer is reported earlier."""
ASKED = 1.0
"""Seconds that the data folder gets to answer, to find out whether it is what hangs."""
READS = ("GET", "HEAD")
PATIENT = ("/iiif/", "/api/v1/jobs/", "/health/")
"""Addresses at which an answer may take longer, or that have limits of their own."""


class Late(Exception):
    """An answer did not begin in time."""


async def in_time(ask: Callable[[Send], Awaitable[None]], send: Send, *, patient: bool) -> None:
    """Answer a request by ``ask``; raises what that raises, and `Late` if its answer does not begin in time."""
    if patient:
        await ask(send)
        return
    began, over = asyncio.Event(), False

    async def told(message: Message) -> None:
        if over:  # somebody else has answered
            return
        began.set()
        await send(message)

    asking = asyncio.ensure_future(ask(told))
    beginning = asyncio.ensure_future(began.wait())
    try:
        await asyncio.wait((asking, beginning), timeout=LATEST, return_when=asyncio.FIRST_COMPLETED)
        if not asking.done() and not began.is_set():
            over = True
            raise Late
        await asking
    finally:
        beginning.cancel()
        if not asking.done():
            asking.add_done_callback(lambda task: task.cancelled() or task.exception())
            asking.cancel()


async def problem(ctx: Context) -> Problem:
    """The answer to a request that was late, after finding out what hangs."""
    ask = functools.partial(readiness.folder_in_time, ctx, ASKED)
    why = await asyncio.get_running_loop().run_in_executor(None, ask)
    detail = (
        why or f"There was no answer within {LATEST:.0f} s; the server has too much to do, or a disk is slow."
    )
    return Problem("late", detail, headers={"retry-after": str(problems.RETRY_AFTER)})
