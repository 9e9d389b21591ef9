"""Frames of a job: which there are, and their bytes coming in."""

from __future__ import annotations

import asyncio
import logging
from typing import Annotated

from fastapi import APIRouter, Header, Path, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from nearfar.jobs import FrameEntry
from nearfar_api.context import Context, Ctx, Who
from nearfar_api.models.answers import FrameList, FrameModel, Received
from nearfar_api.models.shaping import BASE, words
from nearfar_api.openapi import refusals
from nearfar_api.problems import Problem
from nearfar_api.routes.jobs import GONE, JobNumber
from nearfar_api.transfer import arrival, digests

log = logging.getLogger(__name__)
router = APIRouter(prefix=BASE, tags=["frames"])

FrameNumber = Annotated[int, Path(ge=1, le=10_000, description="Number of the frame, from 1.")]
BODY = {
    "requestBody": {
        "required": True,
        "description": "The bytes of the frame, or of the piece that Content-Range names.",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


@router.get("/{job}/frames", operation_id="listFrames", summary="List a job's frames", responses=GONE)
def list_frames(ctx: Ctx, job: JobNumber) -> FrameList:
    """The frames in order, with the number of bytes of each that have arrived."""
    ctx.store.job(job)
    entries = ctx.store.frames(job)
    return FrameList(frames=[_model(ctx, job, number, entry) for number, entry in enumerate(entries, 1)])


def _model(ctx: Context, job: int, number: int, entry: FrameEntry) -> FrameModel:
    digest = arrival.sha256_of(entry)
    return FrameModel(
        number=number,
        name=words(entry.path.rpartition("/")[2]),
        size=entry.size,
        received=arrival.received(ctx, job, number, entry),
        digest=digests.written({"sha-256": digest}) if digest else None,
        state=entry.state,
        reason=entry.reason,
    )


@router.get(
    "/{job}/frames/{number}",
    operation_id="getFrameReceived",
    summary="Ask how much of a frame is here",
    responses=GONE,
)
def get_received(response: Response, ctx: Ctx, job: JobNumber, number: FrameNumber) -> Received:
    """With HEAD the header field 'received' gives the same number; an interrupted upload continues from there."""
    ctx.store.job(job)
    entries = ctx.store.frames(job)
    if number > len(entries):
        raise Problem("not-found", f"job {job} has {len(entries)} frames; there is no number {number}.")
    entry = entries[number - 1]
    here = arrival.received(ctx, job, number, entry)
    response.headers["received"] = str(here)
    return Received(received=here, size=entry.size or 0, complete=entry.state != "expected")


@router.put(
    "/{job}/frames/{number}",
    operation_id="putFrame",
    summary="Send a frame, or the next piece of one",
    responses=refusals(
        "malformed",
        "not-found",
        "wrong-state",
        "wrong-offset",
        "frame-busy",
        "frame-complete",
        "too-large",
        "invalid",
        "digest-mismatch",
        "no-space",
    ),
    openapi_extra=BODY,
)
async def put_frame(
    request: Request,
    ctx: Ctx,
    who: Who,
    job: JobNumber,
    number: FrameNumber,
    content_range: Annotated[
        str | None, Header(description="`bytes FIRST-LAST/SIZE`, for a piece; pieces come in order.")
    ] = None,
    repr_digest: Annotated[str | None, Header(description="Of the whole frame, RFC 9530.")] = None,
    content_digest: Annotated[str | None, Header(description="Of this body, RFC 9530.")] = None,
) -> Received:
    """The job begins by itself after the last frame. Sending the same frame again, with its digest, does no harm."""
    frame = await run_in_threadpool(arrival.look_up, ctx, job, number)
    announced = _digests("Repr-Digest", repr_digest)
    content = digests.Check(_digests("Content-Digest", content_digest))
    if frame.here:
        return await run_in_threadpool(_again, ctx, frame, announced, who)
    piece = arrival.piece_of(request.headers, frame)
    part = await run_in_threadpool(arrival.open_part, ctx, frame)
    try:
        if await run_in_threadpool(arrival.overtaken, ctx, part):
            return await run_in_threadpool(_again, ctx, frame, announced, who)
        await run_in_threadpool(part.begin, piece, ctx.settings.worker.spare_disk)
        await _take(request, part, piece, content)
        complete = await run_in_threadpool(part.settle, content, announced)
        if complete:
            await run_in_threadpool(arrival.note, ctx, frame, who=who)
    finally:
        part.close()
    return Received(received=part.size, size=frame.size, complete=complete)


def _digests(name: str, field: str | None) -> dict[str, bytes]:
    try:
        return digests.parse(field) if field is not None else {}
    except ValueError as error:
        raise Problem("malformed", f"{name}: {error}.") from error


def _again(ctx: Context, frame: arrival.Awaited, announced: dict[str, bytes], who: str) -> Received:
    arrival.start(ctx, frame.job, who=who)  # where the answer to the last frame was lost with the store
    if not arrival.same_bytes(frame, announced, ctx.places.uploads / str(frame.job)):
        raise Problem(
            "frame-complete",
            f"{frame.name} is here already.",
            received=frame.size,
            size=frame.size,
            complete=True,
        )
    return Received(received=frame.size, size=frame.size, complete=True)


async def _take(request: Request, part: arrival.Part, piece: arrival.Piece, content: digests.Check) -> None:
    """Write the body as it arrives; if the connection breaks, what has arrived is kept."""
    held = bytearray()

    def flush() -> None:
        data = bytes(held)
        held.clear()
        part.write(data)
        content.update(data)

    try:
        async for data in request.stream():
            if part.size + len(held) + len(data) > piece.stop:
                part.cut(part.start)
                raise Problem(
                    "too-large", f"{part.frame.name}: more bytes came than were announced.", limit=piece.stop
                )
            held += data
            if len(held) >= arrival.PIECE:
                await run_in_threadpool(flush)
        await run_in_threadpool(flush)
    except asyncio.CancelledError:  # the server leaves
        flush()
        raise
    except ClientDisconnect:
        flush()
        log.info(
            "job %d: frame %d broke off at %d of %d bytes",
            part.frame.job,
            part.frame.number,
            part.size,
            part.frame.size,
            extra={"job": part.frame.job, "action": "upload.broke-off"},
        )
        raise Problem("malformed", "The body broke off.", received=part.size) from None
