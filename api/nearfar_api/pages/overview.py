"""The overview: what runs, what waits and why, what needs someone, what came out lately, and the machine it runs on."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from nearfar.errors import StoreUnreachable
from nearfar.intake.state import state_file
from nearfar.merge import recipe as recipes
from nearfar_api import cards
from nearfar_api.access.caller import By, Caller
from nearfar_api.context import Context, Ctx
from nearfar_api.handlers import reason_for
from nearfar_api.live import sse
from nearfar_api.live.feed import Feed, Listener
from nearfar_api.models.answers import InboxEntry
from nearfar_api.pages import thumbnails
from nearfar_api.pages.drawing import draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.problems import RETRY_AFTER
from nearfar_api.status import standing

router = APIRouter(include_in_schema=False, route_class=PageRoute)

SHOWN = 12
"""Jobs of each state; the list has all of them."""
STACKS = 20
"""Stacks of watched folders."""
SETTLED = ("done", "moved", "ignored", "queued")
"""States of stacks in watched folders that nobody waits for, or that are shown as jobs."""
STUCK = ("waiting", "refused")
"""Those that go on only when a person has done something."""
TICK = 2.0
"""Seconds between two looks at what the watch reports."""
REST = 1.0
"""Seconds between two calls for an open page to look again."""


@router.get("/", name="page_overview")
def show_overview(
    request: Request, ctx: Ctx, by: By, part: Annotated[str | None, Query()] = None
) -> Response:
    """The page, or only what changes on it."""
    try:
        values = _found(ctx, by)
    except StoreUnreachable as error:
        page = draw(request, "waiting.html", status=503, why=reason_for(error, by))
        page.headers["retry-after"] = str(RETRY_AFTER)
        return page
    return draw(request, "live.html" if part == "live" else "overview.html", **values)


def _found(ctx: Context, by: Caller) -> dict[str, Any]:
    told = standing.found(ctx, SHOWN, only=by.only)
    if not by.sees_all:
        told["inbox"] = told["inbox"].model_copy(update={"folders": [], "entries": []})
    held = told["held"]
    found = cards.listed(ctx).cards if by.sees_all else []
    sorted_ones = {card.id: card.path for card in found if card.sorted}
    awaited = [entry for entry in told["inbox"].entries if _is_awaited(entry, sorted_ones)]
    return told | {
        "arriving": [job for job in held if job.frames.expected],
        "held": [job for job in held if not job.frames.expected],
        "stacks": [entry for entry in awaited if entry.state not in STUCK][:STACKS],
        "stuck": [entry for entry in awaited if entry.state in STUCK][:STACKS],
        "cards": [card for card in found if card.stacks.ask or card.stacks.decided],
        "disks": standing.disks(ctx),
        "recipes": [recipes.load(name) for name in recipes.names()],
        "thumbs": {job.id: thumbnails.cover(ctx, job) for job in told["running"]},
    }


def _is_awaited(entry: InboxEntry, cards: Mapping[str, str]) -> bool:
    """Whether an entry is shown here: of cards that are sorted, by their paths, only that more of them arrives."""
    if entry.state in SETTLED or (entry.state == "refused" and entry.job is not None):
        return False
    if entry.card is None or entry.card not in cards:
        return True
    return entry.path == cards[entry.card] and entry.state in ("arriving", "settling")


@router.get("/live", name="page_live")
async def stream_live(request: Request, ctx: Ctx) -> Response:
    """Says 'changed' to an open overview whenever it should look again, at most once a second."""
    feed: Feed = request.app.state.feed
    return sse.EventStream(_changes(ctx, feed))


async def _changes(ctx: Context, feed: Feed) -> AsyncGenerator[bytes, None]:
    listener = await feed.join(None)
    try:
        yield sse.retry(REST)
        seen, quiet = _stamp(ctx), 0.0
        while True:
            changed, over = await _changed(listener)
            if over:
                return
            stamp = await run_in_threadpool(_stamp, ctx)
            if changed or stamp != seen:
                seen, quiet = stamp, 0.0
                yield sse.message("changed", "")
                await asyncio.sleep(REST)
            elif (quiet := quiet + TICK) >= sse.KEEP_ALIVE:
                quiet = 0.0
                yield sse.STILL_HERE
    finally:
        feed.leave(listener)


async def _changed(listener: Listener) -> tuple[bool, bool]:
    """Whether anything happened to a job within a tick, and whether it is over."""
    try:
        message = await asyncio.wait_for(listener.queue.get(), TICK)
    except TimeoutError:
        return False, False
    while message is not None and not listener.queue.empty():
        message = listener.queue.get_nowait()
    return True, message is None


def _stamp(ctx: Context) -> int:
    """Changes when the watch reports something."""
    try:
        return state_file(ctx.places).stat().st_mtime_ns
    except OSError:
        return 0
