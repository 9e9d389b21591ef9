"""Planning the next bracket: a form, what comes of it in words and as a drawing, and what was shot against it."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from nearfar import optics
from nearfar.bracket import Bracket
from nearfar.bracket.card import SAFETY
from nearfar.bracket.card import card as field_card
from nearfar.bracket.compare import Captured, compare
from nearfar.bracket.compare import told as told_of
from nearfar.bracket.units import SENSORS, show_f_number, show_length
from nearfar.bracket.words import columns, duration, figures, space
from nearfar.errors import NotFound, UsageError
from nearfar.jobs import JobQuery, JobState, Sort
from nearfar_api import cards, planned
from nearfar_api.access.caller import By, Caller
from nearfar_api.context import Context, Ctx
from nearfar_api.models.shaping import words
from nearfar_api.pages.acting import Form
from nearfar_api.pages.drawing import address, draw
from nearfar_api.pages.plan_form import FIELDS, MORE, WAYS, Asked, asked_by
from nearfar_api.pages.plan_plot import plot
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.routes.jobs import JobNumber
from nearfar_api.routes.plan import POLICY

router = APIRouter(include_in_schema=False, route_class=PageRoute)

JOBS, STACKS = 40, 200
"""Of each so many are offered for comparison."""
WIDE, NARROW = 960, 358


@dataclass(frozen=True, kw_only=True)
class Against:
    """What was shot, against a plan."""

    name: str
    said: list[str]
    complete: bool
    shot: list[float]
    missed: tuple[int, ...]
    job: int | None


@router.get("/plan", name="page_plan")
def show_plan(request: Request, ctx: Ctx, by: By) -> Response:
    """The form and, since it is never empty, a plan."""
    query = dict(request.query_params)
    asked = asked_by(query)
    values: dict[str, Any] = {"plan": None, "against": None, "refused": "", "wrong": ""}
    status = 200
    try:
        plan = asked.plan()
        values |= _shown(plan, _against(ctx, by, plan, query.get("against", "")))
    except UsageError as error:
        values |= {"refused": str(error), "wrong": asked.wrong(str(error))}
        status = 422
    return draw(
        request,
        "plan.html",
        status=status,
        asked=asked,
        fields=FIELDS,
        more=MORE,
        ways=WAYS,
        sensors=list(SENSORS),
        query=urlencode(_sent(asked)),
        sent=_sent(asked),
        offered=_offered(ctx, by),
        chosen=query.get("against", ""),
        safety=SAFETY,
        **values,
    )


def _sent(asked: Asked) -> dict[str, str]:
    return {"way": asked.way} | {f.name: asked.value(f) for f in (*FIELDS, *MORE)}


def _shown(plan: Bracket, against: Against | None) -> dict[str, Any]:
    shot, missed = (against.shot, against.missed) if against else ([], ())
    head, rows = columns(plan)
    return {
        "plan": plan,
        "against": against,
        "figures": list(figures(plan)),
        "head": head,
        "steps": list(zip(rows, (step.number in missed for step in plan.steps), strict=True)),
        "choices": [(show_f_number(c.f_number), c) for c in plan.choices],
        "plots": [plot(plan, width, shot=shot, missed=missed) for width in (WIDE, NARROW)],
        "summary": summary(plan),
    }


def summary(plan: Bracket) -> str:
    """The plan in a sentence."""
    if plan.frames == 1:
        text = "One frame does"
    elif plan.moves == "ring":
        first, last = plan.steps[0], plan.steps[-1]
        text = (
            f"{plan.frames} frames, the first focused at {show_length(first.distance)} from the lens, "
            f"the last at {show_length(last.distance)}"
        )
    else:
        text = f"{plan.frames} frames, each {show_length(plan.step)} after the one before"
    if plan.seconds:
        text += f"; {duration(plan.seconds)} in all"
    if plan.bytes is not None:
        text += f", {space(plan.bytes)} on the card"
    return text + "."


def _offered(ctx: Context, by: Caller) -> dict[str, list[tuple[str, str]]]:
    """What can be compared with a plan, by groups: value and words."""
    found: dict[str, list[tuple[str, str]]] = {}
    query = JobQuery(owner=by.only, sort=Sort.CREATED, descending=True, limit=JOBS)
    found["Jobs"] = [
        (f"job-{job.id}", f"{words(job.stack)}, job {job.id}")
        for job in ctx.store.jobs(query).jobs
        if job.state is not JobState.CANCELLED
    ]
    left = STACKS
    for brief in cards.listed(ctx).cards if by.sees_all else ():
        if brief.sorted and left > 0:
            stacks = cards.one(ctx, brief.id).content[:left]
            left -= len(stacks)
            found[f"Card {brief.name or 'of loose frames'}"] = [
                (
                    f"card-{brief.id}-{stack.name}",
                    f"stack {k}, {len(stack.frames)} frames from {stack.frames[0].name}",
                )
                for k, stack in enumerate(stacks, 1)
            ]
    return {group: entries for group, entries in found.items() if entries}


def _against(ctx: Context, by: Caller, plan: Bracket, chosen: str) -> Against | None:
    """What was shot; raises `UsageError` if that cannot be found."""
    kind, _, rest = chosen.partition("-")
    job: int | None = None
    try:
        if kind == "job" and rest.isascii() and rest.isdecimal() and len(rest) < 19:
            job = int(rest)
            name, captured = _of_job(ctx, by, job)
        elif kind == "card" and by.sees_all:
            card, _, stack = rest.partition("-")
            name, captured = _of_card(ctx, card, stack)
        else:
            return None
    except NotFound as error:
        raise UsageError(f"what was shot cannot be compared: {error}") from error
    found = compare(plan, captured)
    return Against(
        name=name,
        said=[words(line) for line in told_of(plan, found)],
        complete=found.complete,
        shot=_places(plan, captured) if found.by == "distance" else [],
        missed=found.missed,
        job=job,
    )


def _of_job(ctx: Context, by: Caller, job: int) -> tuple[str, list[Captured]]:
    found = ctx.store.job(job)
    if by.only not in (None, found.owner):
        raise NotFound(f"there is no job {job}")
    return f"{words(found.stack)}, job {job}", planned.captured(ctx, job)


def _of_card(ctx: Context, card: str, stack: str) -> tuple[str, list[Captured]]:
    seen = cards.look(ctx, card) if len(card) == 16 else None
    for k, each in enumerate(seen.card.stacks if seen and seen.card else (), 1):
        if each.name == stack:
            return f"stack {k} of its card", [planned.captured_in(path) for path in each.frames]
    raise NotFound(f"there is no stack {stack} on the card any longer")


def _places(plan: Bracket, captured: list[Captured]) -> list[float]:
    """Focus distances from the lens, where the plan's steps count from."""
    f = plan.asked.focal
    found = [frame.distance for frame in captured if frame.distance is not None]
    if f is None:
        return []
    return [d if math.isinf(d) else optics.to_lens(d, f) for d in found if d > 4 * f]


@router.get("/plan/card", name="page_plan_card")
def show_field_card(request: Request) -> Response:
    """The card for the field, which needs nothing besides itself."""
    query = dict(request.query_params)
    title = query.get("title", "").strip()[:200] or "Focus bracket"
    page = field_card(asked_by(query).plan(), title)
    return Response(page, media_type="text/html", headers={"content-security-policy": POLICY})


@router.get("/plan/plan.json", name="page_plan_file")
def keep_plan(request: Request) -> Response:
    """The plan as a file, as ``nearfar plan --json`` writes it."""
    plan = asked_by(dict(request.query_params)).plan()
    text = json.dumps(plan.to_json(), indent=1, ensure_ascii=False)
    headers = {"content-disposition": 'attachment; filename="plan.json"'}
    return Response(text, media_type="application/json", headers=headers)


@router.post("/jobs/{job}/plan", name="page_keep_plan")
async def keep_with_job(
    request: Request,
    ctx: Ctx,
    job: JobNumber,
    fields: Form,
) -> Response:
    """Attach the plan to a job; then to its page, which shows what was missed."""
    plan = asked_by({name: values[0] for name, values in fields.items()}).plan()
    await run_in_threadpool(planned.attach, ctx, job, plan.to_json())
    return RedirectResponse(f"{address(request, 'page_stack', job=job)}#plan", 303)
