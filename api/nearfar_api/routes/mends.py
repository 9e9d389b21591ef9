"""Mends of a job's picture: the list, a new one, undo and redo; and the versions that were delivered before."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Request
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from nearfar.errors import NotFound
from nearfar.jobs import Mend
from nearfar_api import mending
from nearfar_api.context import Ctx, Who
from nearfar_api.models.answers import VersionLinks, VersionList, VersionModel, moment
from nearfar_api.models.shaping import BASE
from nearfar_api.openapi import refusals
from nearfar_api.routes.files import DOWNLOAD
from nearfar_api.routes.jobs import GONE, JobNumber
from nearfar_api.transfer import results, sending, versions

router = APIRouter(prefix=BASE, tags=["mends"])

MendNumber = Annotated[int, Path(ge=1, lt=2**31, description="Number of the mend, within its job.")]
VersionNumber = Annotated[int, Path(ge=1, lt=2**31, description="Number of the version, within its job.")]
NOTE: dict[str, Any] = {
    "type": "object",
    "required": ["id", "type", "motivation", "body", "target", "creator", "created", "nearfar:inForce"],
    "properties": {"type": {"const": "Annotation"}, "nearfar:inForce": {"type": "boolean"}},
}
PAGE: dict[str, Any] = {
    "type": "object",
    "required": ["@context", "id", "type", "items"],
    "properties": {"type": {"const": "AnnotationPage"}, "items": {"type": "array", "items": NOTE}},
}
LD = "application/ld+json"
EXAMPLES: dict[str, Any] = {
    "short": {"value": {"box": [1200, 800, 400, 300], "use": "frame", "frame": "NF_0017.JPG"}},
    "annotation": {
        "value": {
            "type": "Annotation",
            "motivation": "editing",
            "body": {"type": "TextualBody", "value": "smooth", "purpose": "editing"},
            "target": {
                "source": "/iiif/3/job-17",
                "selector": {"type": "SvgSelector", "value": "<svg><path d='M10,20 h30 v5 h-30 z'/></svg>"},
            },
        }
    },
}
NewMend = Annotated[
    dict[str, Any],
    Body(
        description="A Web Annotation, or {box or polygon, use, frame, edge}.",
        openapi_examples=EXAMPLES,
        media_type="application/json",
    ),
]


def _answer(schema: dict[str, Any], description: str) -> dict[str, Any]:
    return {"description": description, "content": {LD: {"schema": schema}}}


class _Annotation(JSONResponse):
    media_type = mending.LD_JSON


@router.get(
    "/{job}/mends",
    operation_id="listMends",
    summary="List a picture's mends",
    response_class=Response,
    responses={200: _answer(PAGE, "An annotation page"), **GONE},
)
def list_mends(request: Request, ctx: Ctx, job: JobNumber) -> Response:
    """A page of Web Annotations, oldest first. Mends that were undone are included, and marked."""
    ctx.store.job(job)
    address = str(request.url_for("list_mends", job=job))
    return _Annotation(mending.page(ctx.store.mends(job), address=address, pictures=_pictures(request)))


@router.post(
    "/{job}/mends",
    status_code=201,
    operation_id="addMend",
    summary="Mend a region of a picture",
    response_class=Response,
    responses={
        201: _answer(NOTE, "The mend; the picture follows")
        | {"headers": {"Location": {"schema": {"type": "string"}, "description": "The mend's address."}}},
        **refusals("not-found", "wrong-state", "refused-by-store", "invalid", "refused"),
    },
)
def add_mend(request: Request, ctx: Ctx, who: Who, job: JobNumber, mend: NewMend) -> Response:
    """The mend is recorded at once and carried out within seconds: the job's `mends` show the progress, its events the end.

    A mend belongs to this picture only. Another job of the same frames begins without mends.
    """
    _json_only(request)
    made = mending.add(ctx, job, mend, who=who)
    answer = _told(request, made, status=201)
    answer.headers["location"] = f"{request.scope.get('root_path', '')}{BASE}/{job}/mends/{made.number}"
    return answer


def _json_only(request: Request) -> None:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if kind not in ("application/json", LD):
        raise HTTPException(
            415,
            f"found a body of type {kind or 'that is not given'}; expected application/json or {LD}",
            {"accept": f"application/json, {LD}"},
        )


@router.get(
    "/{job}/mends/{number}",
    operation_id="getMend",
    summary="Look at a mend",
    response_class=Response,
    responses={200: _answer(NOTE, "The mend"), **GONE},
)
def get_mend(request: Request, ctx: Ctx, job: JobNumber, number: MendNumber) -> Response:
    """The mend as a Web Annotation."""
    ctx.store.job(job)  # which may be what is not there
    for mend in ctx.store.mends(job):
        if mend.number == number:
            return _told(request, mend)
    raise NotFound(f"job {job} has no mend {number}")


CHANGED: dict[int | str, dict[str, Any]] = {
    200: _answer(NOTE, "The mend as it is now; the picture follows"),
    **refusals("not-found", "wrong-state"),
}


@router.delete(
    "/{job}/mends/{number}",
    operation_id="undoMend",
    summary="Undo a mend",
    response_class=Response,
    responses=CHANGED,
)
def undo_mend(request: Request, ctx: Ctx, who: Who, job: JobNumber, number: MendNumber) -> Response:
    """The mend stays on record, with who undid it. With no mend in force the picture is byte for byte the first one."""
    return _told(request, ctx.store.undo_mend(job, number, who=who))


@router.post(
    "/{job}/mends/{number}/redo",
    operation_id="redoMend",
    summary="Put a mend in force again",
    response_class=Response,
    responses=CHANGED,
)
def redo_mend(request: Request, ctx: Ctx, who: Who, job: JobNumber, number: MendNumber) -> Response:
    """Puts a mend that was undone in force again."""
    return _told(request, ctx.store.redo_mend(job, number, who=who))


def _told(request: Request, mend: Mend, *, status: int = 200) -> Response:
    address = str(request.url_for("get_mend", job=mend.job, number=mend.number))
    return _Annotation(mending.told(mend, address=address, pictures=_pictures(request)), status)


def _pictures(request: Request) -> str:
    """What the identifier of a picture is put behind to be an address."""
    return str(request.url_for("iiif_base", identifier="x"))[:-1]


@router.get(
    "/{job}/versions",
    operation_id="listVersions",
    summary="List earlier versions of a picture",
    responses=GONE,
)
def list_versions(ctx: Ctx, job: JobNumber) -> VersionList:
    """The versions that are kept, oldest first; the first one is the picture before all mends."""
    found = versions.versions(ctx.store.job(job), ctx.places)
    return VersionList(
        versions=[
            VersionModel(
                number=version.number,
                created=moment(version.created) or "",
                mends=list(version.mends),
                links=VersionLinks(
                    **{which: f"{BASE}/{job}/versions/{version.number}/{which}" for which in results.ENDINGS}
                ),
            )
            for version in found
        ]
    )


@router.get(
    "/{job}/versions/{number}/{which}",
    operation_id="getVersion",
    summary="Fetch a file of an earlier version",
    response_class=Response,
    responses=DOWNLOAD,
)
def get_version(
    request: Request,
    ctx: Ctx,
    job: JobNumber,
    number: VersionNumber,
    which: Annotated[str, Path(pattern="^(picture|report|preview)$")],
) -> Response:
    """The version's picture, report or preview."""
    file = versions.open_version(ctx.store.job(job), ctx.places, number, which)
    return sending.respond(file, request.scope, ctx.digests)
