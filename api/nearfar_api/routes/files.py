"""Results: which files there are, and fetching them, whole or in part."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from nearfar_api.context import Ctx
from nearfar_api.models.answers import FileLinks, FileList, FileModel, moment
from nearfar_api.models.shaping import BASE
from nearfar_api.openapi import refusals
from nearfar_api.routes.jobs import GONE, JobNumber
from nearfar_api.transfer import results, sending

router = APIRouter(prefix=BASE, tags=["results"])

BYTES: dict[str, Any] = {}
"""OpenAPI 3.1: content of any kind has no schema."""
DOWNLOAD: dict[int | str, dict[str, Any]] = {
    200: {"description": "The whole file", "content": {"*/*": BYTES}},
    206: {"description": "The parts that Range asks for", "content": {"*/*": BYTES}},
    304: {"description": "It is what If-None-Match or If-Modified-Since say"},
    **refusals("not-found", "changed", "no-range"),
}


@router.get("/{job}/files", operation_id="listFiles", summary="List the files of a result", responses=GONE)
def list_files(ctx: Ctx, job: JobNumber) -> FileList:
    """The list is empty before the job is done."""
    found = results.files(ctx.store.job(job), ctx.places)
    return FileList(
        files=[
            FileModel(
                name=file.name,
                size=file.size,
                type=file.type,
                modified=moment(file.modified) or "",
                links=FileLinks(self=f"{BASE}/{job}/files/{quote(file.name, safe='')}"),
            )
            for file in found
        ]
    )


@router.get(
    "/{job}/files/{name}",
    operation_id="getFile",
    summary="Fetch a file of a result",
    response_class=Response,
    responses=DOWNLOAD,
)
def get_file(
    request: Request, ctx: Ctx, job: JobNumber, name: Annotated[str, Path(min_length=1, max_length=255)]
) -> Response:
    """Range, If-Range and the other conditions of RFC 9110 are supported; Want-Repr-Digest and HEAD give a digest."""
    return sending.respond(
        results.open_file(ctx.store.job(job), ctx.places, name), request.scope, ctx.digests
    )


def _add(which: Literal["picture", "report", "preview"], summary: str) -> None:
    def fetch(request: Request, ctx: Ctx, job: JobNumber) -> Response:
        found = ctx.store.job(job)
        file = results.open_file(found, ctx.places, results.name_of(found, which))
        return sending.respond(file, request.scope, ctx.digests)

    router.add_api_route(
        f"/{{job}}/{which}",
        fetch,
        methods=["GET"],
        operation_id=f"get{which.capitalize()}",
        summary=summary,
        description="The same file under its own name is among the files of the result.",
        response_class=Response,
        responses=DOWNLOAD,
    )


_add("picture", "Fetch the picture of a job")
_add("report", "Fetch the report of a job")
_add("preview", "Fetch the preview of a job")
