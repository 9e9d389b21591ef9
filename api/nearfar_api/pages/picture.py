"""The picture, close: deep zoom, maps over it, gaps, frames and other versions under a wipe, frames that are sharp at a
place side by side, and mends.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from nearfar.errors import FrameRefused, NearfarError, NotFound, UsageError
from nearfar.jobs import Job, JobState, Mend, Role
from nearfar.merge.mending.use import EDGE as SOFT_EDGE
from nearfar.merge.mending.use import Use
from nearfar.runner.mending.annotations import Subject, kept_wish
from nearfar_api import mending
from nearfar_api.access.caller import caller_of
from nearfar_api.context import Context, Ctx, Who
from nearfar_api.models.answers import moment
from nearfar_api.models.shaping import job_model, job_models
from nearfar_api.pages.acting import Fields, Form, one_of
from nearfar_api.pages.drawing import address, draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.pages.stacks import family, report_of
from nearfar_api.problems import Problem
from nearfar_api.routes.jobs import JobNumber
from nearfar_api.routes.looking import EDGE, SharpFrames, lookout_of, sharp_at
from nearfar_api.transfer import versions

router = APIRouter(include_in_schema=False, route_class=PageRoute)

KEYS = (
    ("arrows", "move; while drawing, move the cross (with Shift by one pixel)"),
    ("+ −", "closer, farther"),
    ("0", "all of it"),
    ("1", "pixel for pixel"),
    ("f", "focus map"),
    ("d", "doubt"),
    ("g", "gaps"),
    ("n", "next gap"),
    ("w", "wipe: what lies beside on or off"),
    ("[ ]", "move the wipe"),
    ("b", "blink, while held"),
    ("c", "which frames are sharp in the middle"),
    ("r o", "draw a rectangle, an outline"),
    ("Space", "while drawing: a corner at the cross"),
    ("Enter", "while drawing: close the outline"),
    ("Backspace", "while drawing: take a corner back"),
    ("Escape", "stop drawing"),
    ("m", "outlines of mends"),
    ("u", "undo the last mend"),
)
"""What the keys do while the picture has the focus."""
USES: Mapping[Use, str] = {
    Use.SMOOTH: "nothing is sharp here: even colours, no noise",
    Use.QUIET: "the same with less noise",
    Use.MAP: "at each place the frame of the focus map",
}
"""What can be used besides a frame, in words."""
CROPS = 5
"""Frames shown side by side."""
LEAST = 128
"""Edge of the smallest square that is looked at, pixels."""
BOX = re.compile(r"\s*(-?\d{1,7})" + r"\s*,\s*(-?\d{1,7})" * 3 + r"\s*")
CORNERS = re.compile(
    r"\s*-?\d{1,7}(?:\.\d+)?,-?\d{1,7}(?:\.\d+)?(?:\s+-?\d{1,7}(?:\.\d+)?,-?\d{1,7}(?:\.\d+)?)*\s*"
)
Place = Annotated[int | None, Query(ge=0, lt=1 << 20)]


@dataclass(frozen=True, kw_only=True)
class MendRow:
    """A mend as its line shows it; ``points`` are the corners, ``x,y`` apart by blanks, of each polygon."""

    number: int
    says: str
    who: str
    made: str
    undone: str | None
    undone_by: str | None
    points: tuple[str, ...]
    box: tuple[int, int, int, int]


@router.get("/jobs/{job}/picture", name="page_picture")
def show_picture(
    request: Request,
    ctx: Ctx,
    job: JobNumber,
    other: Annotated[str, Query(max_length=30)] = "",
    x: Place = None,
    y: Place = None,
    size: Annotated[int, Query(ge=1, le=4096)] = EDGE,
) -> Response:
    """The viewer; without script the preview, forms and links."""
    found = ctx.store.job(job)
    if found.state is not JobState.DONE or found.result is None:
        raise NotFound(f"job {job} is {found.state} and has no picture yet")
    others = [v for v in family(ctx, found) if v.id != job and v.state is JobState.DONE and v.result]
    ctx.wake()
    here, missing = _here(request, job, x, y, max(LEAST, size))
    return draw(
        request,
        "picture.html",
        job=job_model(ctx, job),
        report=report_of(ctx, found),
        others=job_models(ctx, others),
        other=other,
        keys=KEYS,
        uses=USES,
        soft_edge=SOFT_EDGE,
        crop_edge=EDGE,
        here=here,
        missing=missing,
        may_mend=caller_of(request.scope).may(Role.MEND),
        **_mends(ctx, found),
    )


def _here(
    request: Request, job: int, x: int | None, y: int | None, size: int
) -> tuple[dict[str, Any] | None, str | None]:
    """What is sharp at a place that was asked for, or why that cannot be told."""
    if x is None or y is None:
        return None, None
    try:
        found: SharpFrames = sharp_at(lookout_of(request), job, x, y, size)
    except (NotFound, Problem) as error:
        return None, str(error.detail if isinstance(error, Problem) else error)
    crops = [frame.model_dump() for frame in found.frames[:CROPS]]
    return {"x": x, "y": y, "box": found.box, "by": found.by, "crops": crops}, None


def _mends(ctx: Context, job: Job) -> dict[str, Any]:
    """Mends and versions of a picture, and the frames that a mend may take."""
    try:
        subject = mending.subject_of(ctx, job.id)
    except (NearfarError, Problem):
        subject = Subject(job=job.id, size=(1, 1), frames={})
    return {
        "frames": subject.frames,
        "mends": [_row(mend, subject) for mend in ctx.store.mends(job.id)],
        "versions": [{**asdict(v), "created": moment(v.created)} for v in versions.versions(job, ctx.places)],
        "last": ctx.store.last_event(),
    }


def _row(mend: Mend, subject: Subject) -> MendRow:
    told: dict[str, Any] = {
        "who": mend.who,
        "made": moment(mend.made),
        "undone": moment(mend.undone),
        "undone_by": mend.undone_by,
    }
    try:
        wish = kept_wish(mend.annotation, subject)
    except UsageError:
        says = "its frame is not in the picture any longer"
        return MendRow(number=mend.number, says=says, points=(), box=(0, 0, 1, 1), **told)
    says = str(wish.use) if wish.frame is None else f"frame {wish.frame}, {subject.frames[wish.frame]}"
    points = tuple(" ".join(f"{x:g},{y:g}" for x, y in polygon) for polygon in wish.region.polygons)
    box = wish.region.bounds(subject.size)
    return MendRow(number=mend.number, says=says, points=points, box=box, **told)


@router.post("/jobs/{job}/picture", name="page_mend")
async def mend(
    request: Request,
    ctx: Ctx,
    who: Who,
    job: JobNumber,
    fields: Form,
) -> Response:
    """Add a mend, undo one or put it in force again; then back to the picture."""
    await run_in_threadpool(_act, ctx, job, fields, who)
    ctx.kick()
    place = "&".join(f"{name}={v}" for name in "xy" if _number(v := one_of(fields, name)))
    back = address(request, "page_picture", job=job)
    return RedirectResponse(f"{back}?{place}#mends" if place else f"{back}#mends", 303)


def _act(ctx: Context, job: int, fields: Fields, who: str) -> None:
    number = one_of(fields, "number")
    if _number(number):
        change = ctx.store.redo_mend if one_of(fields, "do") == "redo" else ctx.store.undo_mend
        change(job, int(number), who=who)
        return
    try:
        mending.add(ctx, job, _asked(fields), who=who)
    except FrameRefused as error:
        raise Problem("damaged", str(error)) from error


def _number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) < 10


def _asked(fields: Fields) -> dict[str, Any]:
    """A form's mend in the short form of the API. Raises `UsageError`."""
    use, _, frame = one_of(fields, "use").partition(":")
    if not use:
        raise UsageError("It is not said what to use: choose a frame, smooth, quiet or map")
    asked: dict[str, Any] = {"use": use, **_region(one_of(fields, "region"))}
    if use == Use.FRAME:
        frame = frame or one_of(fields, "frame")
        asked["frame"] = int(frame) if _number(frame) else frame
    edge = one_of(fields, "edge")
    if edge:
        asked["edge"] = int(edge) if _number(edge) else edge
    return asked


def _region(text: str) -> dict[str, Any]:
    if box := BOX.fullmatch(text):
        return {"box": [int(value) for value in box.groups()]}
    if CORNERS.fullmatch(text) and len(corners := text.split()) > 2:
        return {"polygon": [[float(value) for value in corner.split(",")] for corner in corners]}
    raise UsageError(
        f"The region is {text[:60]!r}; draw one, or write x,y,width,height or the corners as x,y x,y x,y"
    )
