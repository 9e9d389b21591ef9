"""Jobs: the list, new ones, one of them, and what people do to it."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Query, Request
from starlette.responses import Response

from nearfar.jobs import JobQuery, JobState, Sort
from nearfar.runner.again import again as run_otherwise
from nearfar_api import objects
from nearfar_api.access.caller import By
from nearfar_api.context import Context, Ctx, Who
from nearfar_api.models.answers import (
    AttemptList,
    JobList,
    JobModel,
    SubmittedModel,
    UnitList,
)
from nearfar_api.models.requests import Again, Because, ChangeJob, NewJob, Words
from nearfar_api.models.shaping import attempt_model, job_model, job_models, submitted_model, unit_model
from nearfar_api.openapi import refusals
from nearfar_api.quota import quota
from nearfar_api.routes.bodies import JSON
from nearfar_api.submitting import check_recipe, check_space, open_folders, submit

router = APIRouter(prefix="/api/v1/jobs", tags=["jobs"])

JobNumber = Annotated[int, Path(ge=1, lt=2**63, description="Number of the job.", examples=[17])]
SORTS = "^-?(created|updated|finished|stack|priority)$"
GONE = refusals("not-found")
MOVED = refusals("not-found", "wrong-state")


@router.get("", operation_id="listJobs", summary="List jobs")
def list_jobs(
    ctx: Ctx,
    by: By,
    state: Annotated[list[JobState] | None, Query(description="Any of these; all if not given.")] = None,
    owner: Annotated[Words | None, Query()] = None,
    search: Annotated[Words | None, Query(description="Part of the stack's name, in any case.")] = None,
    sort: Annotated[
        str, Query(pattern=SORTS, description="With '-' the other way round. 'finished' lists what ended.")
    ] = "-created",
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    cursor: Annotated[Words | None, Query(description="The 'next' of the page before.")] = None,
) -> JobList:
    """One page of jobs. For the next page repeat the request with the cursor."""
    if by.only is not None and owner not in (None, by.only):
        return JobList(jobs=[], next=None)
    query = JobQuery(
        states=frozenset(state or ()),
        owner=by.only or owner,
        text=search,
        sort=Sort(sort.removeprefix("-")),
        descending=sort.startswith("-"),
        limit=limit,
        after=cursor,
    )
    page = ctx.store.jobs(query)
    return JobList(jobs=job_models(ctx, page.jobs), next=page.after)


CREATED: dict[int | str, dict[str, Any]] = {
    200: {"model": SubmittedModel, "description": "It was there already"},
    201: {
        "description": "A new job",
        "headers": {"Location": {"schema": {"type": "string"}, "description": "The job's address."}},
    },
}


@router.post(
    "",
    status_code=201,
    operation_id="submitJob",
    summary="Submit a stack",
    responses={
        **CREATED,
        **refusals(
            "key-reused",
            "refused-by-store",
            "quota-reached",
            "too-large",
            "no-such-path",
            "bucket-refused",
            "bucket-away",
            "refused",
            "invalid",
            "no-space",
        ),
    },
    dependencies=JSON,
)
def submit_job(
    request: Request,
    response: Response,
    ctx: Ctx,
    by: By,
    new: NewJob,
    idempotency_key: Annotated[
        str | None,
        Header(
            min_length=1, max_length=255, pattern=r"^[!-~ ]+$", description="The same request gives one job."
        ),
    ] = None,
) -> SubmittedModel:
    """The frames are on the server, or in a bucket of its settings, or are announced here and then uploaded one by one."""
    found = submit(ctx, new, key=idempotency_key, by=by)
    ctx.kick()
    _say_where(request, response, found.job, new=found.new)
    return submitted_model(ctx, found.job, duplicate=not found.new)


def _say_where(request: Request, response: Response, job: int, *, new: bool) -> None:
    response.status_code = 201 if new else 200
    response.headers["location"] = f"{request.scope.get('root_path', '')}/api/v1/jobs/{job}"


@router.get("/{job}", operation_id="getJob", summary="Look at a job", response_model=JobModel, responses=GONE)
def get_job(request: Request, ctx: Ctx, job: JobNumber) -> Response:
    """The job's present state. The weak ETag changes whenever the answer does."""
    return _tagged(request, job_model(ctx, job).model_dump_json().encode())


def _tagged(request: Request, content: bytes) -> Response:
    """JSON with a weak entity tag, or 304 if the caller has it already (RFC 9110, 13.1.2)."""
    tag = f'W/"{hashlib.blake2b(content, digest_size=12).hexdigest()}"'
    known = [part.strip().removeprefix("W/") for part in request.headers.get("if-none-match", "").split(",")]
    if tag.removeprefix("W/") in known or known == ["*"]:
        return Response(status_code=304, headers={"etag": tag})
    return Response(content, media_type="application/json", headers={"etag": tag})


@router.patch(
    "/{job}", operation_id="changeJob", summary="Change a job's priority", responses=MOVED, dependencies=JSON
)
def change_job(ctx: Ctx, who: Who, job: JobNumber, change: ChangeJob) -> JobModel:
    """Jobs of higher priority are done earlier."""
    ctx.store.set_priority(job, change.priority, who=who)
    return _after(ctx, job)


@router.post(
    "/{job}/cancel", operation_id="cancelJob", summary="Cancel a job", responses=MOVED, dependencies=JSON
)
def cancel_job(ctx: Ctx, who: Who, job: JobNumber, because: Because | None = None) -> JobModel:
    """Workers stop within seconds."""
    ctx.store.cancel(job, who=who, reason=because.reason if because else None)
    return _after(ctx, job)


@router.post(
    "/{job}/hold", operation_id="holdJob", summary="Hold a job back", responses=MOVED, dependencies=JSON
)
def hold_job(ctx: Ctx, who: Who, job: JobNumber, because: Because | None = None) -> JobModel:
    """No further unit of the job is begun until it is released."""
    ctx.store.hold(job, who=who, reason=because.reason if because else None)
    return _after(ctx, job)


@router.post(
    "/{job}/release",
    operation_id="releaseJob",
    summary="Release a held job",
    responses=refusals("not-found", "wrong-state", "refused-by-store"),
    dependencies=JSON,
)
def release_job(ctx: Ctx, who: Who, job: JobNumber, because: Because | None = None) -> JobModel:
    """The job continues where it was."""
    ctx.store.release(job, who=who)
    return _after(ctx, job)


@router.post(
    "/{job}/run-again",
    operation_id="runJobAgain",
    summary="Run a job again",
    responses={
        200: {"description": "The same job runs again"},
        201: {"model": JobModel, "description": "A new job, linked to this one"},
        **refusals(
            *("not-found", "wrong-state", "refused-by-store", "quota-reached", "refused", "no-space"),
            "no-such-path",
        ),
    },
    dependencies=JSON,
)
def run_again(
    request: Request,
    response: Response,
    ctx: Ctx,
    by: By,
    who: Who,
    job: JobNumber,
    otherwise: Again | None = None,
) -> JobModel:
    """With an empty body the same job, which failed or was cancelled, runs again; otherwise a new job is made beside it."""
    check_space(ctx)
    owner = ctx.store.job(job).owner
    if otherwise is None or otherwise == Again():
        with quota.checked(ctx, owner):
            ctx.store.run_again(job, who=who)
        return _after(ctx, job)
    own = otherwise.settings is not None and otherwise.settings.recipe_toml is not None
    if otherwise.recipe is not None or own:
        roots = open_folders(ctx, by)
        check_recipe(otherwise.recipe or ctx.store.job(job).recipe, otherwise.settings, roots)
    with quota.checked(ctx, owner):
        found = run_otherwise(
            ctx.store,
            job,
            recipe=otherwise.recipe,
            settings=otherwise.settings.given() if otherwise.settings else None,
            leave_out=otherwise.leave_out or (),
            use=otherwise.use or (),
            who=who,
        )
    _say_where(request, response, found.job, new=found.new)
    return _after(ctx, found.job)


@router.post(
    "/{job}/deliver",
    operation_id="deliverJob",
    summary="Put a result into the bucket again",
    responses=refusals("not-found", "wrong-state", "invalid"),
    dependencies=JSON,
)
def deliver_job(ctx: Ctx, who: Who, job: JobNumber) -> JobModel:
    """For example after a mend, or if delivery was given up. Existing objects stay: the new result's name gets a number."""
    objects.deliver_again(ctx, job, who=who)
    return _after(ctx, job)


def _after(ctx: Context, job: int) -> JobModel:
    ctx.kick()
    return job_model(ctx, job)


@router.get("/{job}/units", operation_id="listUnits", summary="List a job's units", responses=GONE)
def list_units(ctx: Ctx, job: JobNumber) -> UnitList:
    """The units of the job's present run, by stage."""
    ctx.store.job(job)
    return UnitList(units=[unit_model(unit) for unit in ctx.store.units(job)])


@router.get(
    "/{job}/attempts", operation_id="listAttempts", summary="List attempts at a job's units", responses=GONE
)
def list_attempts(ctx: Ctx, job: JobNumber) -> AttemptList:
    """When each attempt began and how it ended, oldest first."""
    ctx.store.job(job)
    return AttemptList(attempts=[attempt_model(attempt) for attempt in ctx.store.attempts(job)])
