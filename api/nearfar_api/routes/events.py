"""The trail and progress as server-sent events, of one job or of all, continuing where a listener was; and as a list."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from nearfar.jobs import Event, MendState
from nearfar.jobs.people.people import PRIVATE
from nearfar.jobs.reading import LARGEST, OVERLAP, Reading
from nearfar.jobs.states import ENDED
from nearfar_api.access.caller import By, Caller
from nearfar_api.context import Context, Ctx
from nearfar_api.live import sse
from nearfar_api.live.feed import PAGE, Feed, Listener
from nearfar_api.models.answers import Trail
from nearfar_api.models.shaping import event_model, job_model
from nearfar_api.openapi import refusals
from nearfar_api.routes.jobs import GONE, JobNumber

router = APIRouter(prefix="/api/v1", tags=["events"])

RETRY = 2.0
STREAM_BODY = {"text/event-stream": {"schema": {"type": "string"}}}
STREAM: dict[int | str, dict[str, Any]] = {200: {"description": "A stream", "content": STREAM_BODY}}
LastId = Annotated[
    str | None,
    Header(
        alias="Last-Event-ID",
        max_length=500,
        description="The id of the last event that was received, or its number.",
    ),
]
After = Annotated[
    int | None,
    Query(
        ge=0,
        lt=LARGEST,
        description="The number of the last event that was received, for whoever cannot send the header.",
    ),
]


def _after(last: str | None, after: int | None) -> Reading | None:
    """Where to continue; anything but an id is ignored, as ids are the server's own."""
    found = Reading.parse(last) if last is not None else None
    return found if found is not None or after is None else Reading(after)


@router.get(
    "/jobs/{job}/events",
    operation_id="streamJobEvents",
    summary="Follow a job",
    response_class=Response,
    responses={**STREAM, **GONE},
)
async def job_events(
    request: Request, ctx: Ctx, job: JobNumber, last_event_id: LastId = None, after: After = None
) -> Response:
    """Its trail with numbers, 'progress' with the job whenever it changed, and 'end' once it ended.

    Of a picture that is being mended 'mended' tells that a new one is there, and 'end' that none is on its way.
    """
    await run_in_threadpool(ctx.store.job, job)
    feed: Feed = request.app.state.feed
    began = _after(last_event_id, after)
    return sse.EventStream(_of_job(ctx, feed, job, began.last if began is not None else 0))


@router.get(
    "/events",
    operation_id="streamEvents",
    summary="Follow everything",
    response_class=Response,
    responses=STREAM,
)
async def all_events(
    request: Request, ctx: Ctx, by: By, last_event_id: LastId = None, after: After = None
) -> Response:
    """The trail of all from now on, or after a number, and 'progress' of each job that changed."""
    await run_in_threadpool(ctx.store.now)
    feed: Feed = request.app.state.feed
    return sse.EventStream(_of_all(ctx, feed, _after(last_event_id, after), by))


async def _of_job(ctx: Context, feed: Feed, job: int, after: int) -> AsyncGenerator[bytes, None]:
    listener = await feed.join(job)
    try:
        yield sse.retry(RETRY)
        sent: set[int] = set()
        # The job is read before its trail, which so holds everything up to that state.
        model = await run_in_threadpool(job_model, ctx, job)
        async for event in _replay(ctx, after, job):
            sent.add(event.id)
            yield _event(event, event.id)
        yield sse.message("progress", model.model_dump_json())
        if model.state in ENDED and model.mends.state is not MendState.WORKING:
            yield sse.message("end", model.model_dump_json())
            return
        async for piece in _live(listener, sent, ends=True):
            yield piece
    finally:
        feed.leave(listener)


async def _of_all(
    ctx: Context, feed: Feed, reading: Reading | None, by: Caller
) -> AsyncGenerator[bytes, None]:
    listener = await feed.join(None)
    try:
        read = reading if reading is not None else await run_in_threadpool(_from_now_on, ctx)
        yield sse.retry(RETRY)  # from here on nothing is missed
        if reading is not None:
            async for event in _replay(ctx, read.after, None):
                if read.fresh(event.id) and _may_see(by, event):
                    yield _event(event, read)
        async for piece in _live(listener, read, ends=False, by=by):
            yield piece
    finally:
        feed.leave(listener)


def _from_now_on(ctx: Context) -> Reading:
    """All that can be seen now is read."""
    last = ctx.store.last_event()
    reading = Reading(max(0, last - OVERLAP))
    reading.take(ctx.store.events(reading.last, limit=PAGE))
    return reading


async def _replay(ctx: Context, after: int, job: int | None) -> AsyncGenerator[Event, None]:
    while True:
        found = await run_in_threadpool(ctx.store.events, after, job=job, limit=PAGE)
        for event in found:
            yield event
        if len(found) < PAGE:
            return
        after = found[-1].id


def _may_see(by: Caller | None, event: Event) -> bool:
    """What concerns accounts, keys and refusals is for whoever runs the server."""
    return by is None or by.runs or not event.action.startswith(PRIVATE)


async def _live(
    listener: Listener, read: set[int] | Reading, *, ends: bool, by: Caller | None = None
) -> AsyncGenerator[bytes, None]:
    """What is new. ``read``: numbers of what was sent before, or how far all that there is was read."""
    while True:
        try:
            message = await asyncio.wait_for(listener.queue.get(), sse.KEEP_ALIVE)
        except TimeoutError:
            yield sse.STILL_HERE
            continue
        if message is None:
            return
        if isinstance(message, Event):
            fresh = read.fresh(message.id) if isinstance(read, Reading) else message.id not in read
            if fresh and _may_see(by, message):
                yield _event(message, read if isinstance(read, Reading) else message.id)
            continue
        yield sse.message("progress", message.job.model_dump_json())
        if ends and message.ended:
            yield sse.message("end", message.job.model_dump_json())
            return


def _event(event: Event, place: Reading | int) -> bytes:
    return sse.message(event.action, event_model(event).model_dump_json(), place=str(place))


@router.get("/trail", operation_id="listTrail", summary="Read the audit trail", responses=refusals("invalid"))
def list_trail(
    ctx: Ctx,
    by: By,
    after: Annotated[int, Query(ge=0, lt=LARGEST)] = 0,
    job: Annotated[int | None, Query(ge=1, lt=LARGEST)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 200,
) -> Trail:
    """Who did what to which job, oldest first; of accounts, keys and refusals only the role run is told.

    Asking again after 'last' misses nothing: where an earlier line may still come the list ends.
    """
    found = ctx.store.events(after, job=job, limit=limit, settled=True)
    shown = [event_model(event) for event in found if _may_see(by, event)]
    return Trail(events=shown, last=found[-1].id if found else after)
