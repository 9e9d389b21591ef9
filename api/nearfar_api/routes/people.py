"""Whoever asks, what roles and scopes mean, and links that fetch a result without a key."""

from __future__ import annotations

import time
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from nearfar.jobs import People, Role
from nearfar.jobs.people import links
from nearfar_api.access import rights
from nearfar_api.access.caller import By
from nearfar_api.context import Ctx
from nearfar_api.models.answers import Moment, moment
from nearfar_api.models.requests import FrameName
from nearfar_api.openapi import refusals
from nearfar_api.problems import Problem
from nearfar_api.routes.bodies import JSON
from nearfar_api.routes.files import DOWNLOAD
from nearfar_api.routes.jobs import GONE, JobNumber
from nearfar_api.transfer import results, sending

router = APIRouter(tags=["people"])


class Me(BaseModel):
    """Who asks, as the server knows them."""

    model_config = ConfigDict(frozen=True)
    name: str = Field(description="As the audit trail has it.")
    role: Role
    owner: str = Field(description="Whose jobs are one's own.")
    known_by: str = Field(description="free, server-key, key or session.")
    sees_all: bool = Field(description="Whether jobs of others are shown.")


class RoleModel(BaseModel):
    """A role, which is also a scope of keys; each includes those before it."""

    model_config = ConfigDict(frozen=True)
    name: Role
    means: str


class RouteModel(BaseModel):
    """What one route takes."""

    model_config = ConfigDict(frozen=True)
    method: str
    path: str
    role: Role | None = Field(description="null: everyone may.")
    own: bool = Field(description="Of someone else's job it takes the role run.")


class Rights(BaseModel):
    """Roles and what they may do."""

    model_config = ConfigDict(frozen=True)
    roles: list[RoleModel]
    routes: list[RouteModel]


class LinkWish(BaseModel):
    """A file of a result, and for how long anyone with the link may fetch it."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: FrameName | None = Field(default=None, description="The picture if not given.")
    hours: float = Field(default=72.0, gt=0, le=links.LONGEST / 3600)


class LinkModel(BaseModel):
    """A link that needs no key."""

    model_config = ConfigDict(frozen=True)
    address: str = Field(description="Below the root path of the server.")
    until: Moment


@router.get("/api/v1/me", operation_id="getMe", summary="Who I am")
def get_me(by: By) -> Me:
    """The caller, by the key or session of the request."""
    assert by.role is not None and by.how != "nobody"  # noqa: S101, PT018 - the guard let them in
    return Me(name=by.name, role=by.role, owner=by.owner, known_by=by.how, sees_all=by.sees_all)


@router.get("/api/v1/rights", operation_id="listRights", summary="Roles, scopes and what they may do")
def list_rights() -> Rights:
    """Roles, which are also the scopes of keys, and the role that each address requires."""
    return Rights(
        roles=[RoleModel(name=role, means=role.means) for role in Role],
        routes=[
            RouteModel(method=method, path=path, role=need.role, own=need.own)
            for (method, path), need in rights.TABLE.items()
        ],
    )


@router.post(
    "/api/v1/jobs/{job}/links",
    status_code=201,
    operation_id="makeLink",
    summary="Make a link that fetches a file without a key",
    responses=GONE,
    dependencies=JSON,
)
def make_link(ctx: Ctx, by: By, job: JobNumber, wish: LinkWish | None = None) -> LinkModel:
    """Anyone with the link can fetch the file until the link expires or all links are ended."""
    chosen = wish or LinkWish()
    found = ctx.store.job(job)
    name = chosen.name or results.name_of(found, "picture")
    if name not in {file.name for file in results.files(found, ctx.places)}:
        raise Problem("not-found", f"the result of job {job} has no file {name!r}")
    people = People(ctx.store)
    until = int(time.time() + 3600 * chosen.hours)
    made = people.link(job=job, name=name, until=until)
    people.note("links.made", who=by.name, job=job, detail={"file": name, "until": until})
    return LinkModel(address=made, until=moment(until) or "")


@router.post(
    "/api/v1/links/end",
    status_code=204,
    operation_id="endLinks",
    summary="End all links that were made",
    responses=refusals("invalid"),
    dependencies=JSON,
)
def end_links(ctx: Ctx, by: By) -> None:
    """Replaces the secret that signs links; new links can be made at once."""
    People(ctx.store).new_secret("links", who=by.name)


@router.get(
    "/fetch/{job}/{name}",
    operation_id="fetchByLink",
    summary="Fetch a file of a result by a link",
    response_class=Response,
    responses={**DOWNLOAD, **refusals("ended-link")},
)
def fetch(
    request: Request,
    ctx: Ctx,
    job: JobNumber,
    name: Annotated[str, Path(min_length=1, max_length=255)],
    until: Annotated[int, Query(ge=0, lt=2**53)],
    proof: Annotated[str, Query(max_length=100)],
) -> Response:
    """Needs no key. A link that expired or was altered is refused before anything is looked up."""
    secret = People(ctx.store).secret("links")
    if not links.holds(secret, proof, job=job, name=name, until=until, now=time.time()):
        raise Problem(
            "ended-link", "This link has ended, was ended by whoever runs the server, or is not complete."
        )
    answer = sending.respond(
        results.open_file(ctx.store.job(job), ctx.places, name), request.scope, ctx.digests
    )
    answer.headers["referrer-policy"] = "no-referrer"  # the address is the key
    return answer
