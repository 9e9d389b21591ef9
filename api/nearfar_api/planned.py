"""The plan that a stack was shot by, kept beside the job, and what of it was missed. Frames are looked at, not decoded."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from nearfar.bracket import Bracket
from nearfar.bracket.compare import Captured, Comparison, compare, exif_distance, told
from nearfar.errors import FrameRefused, NotFound, UsageError
from nearfar.frames.glance import glance
from nearfar.runner.disk import write_whole
from nearfar.runner.planning import frame_path
from nearfar_api.context import Context
from nearfar_api.models.shaping import words


def attach(ctx: Context, job: int, stored: object) -> Bracket:
    """Keep a plan for a job, in place of one that was kept before.

    Raises
    ------
    NotFound, UsageError
        There is no such job, or this is no plan.
    """
    ctx.store.job(job)
    try:
        plan = Bracket.from_json(stored)
    except (ArithmeticError, TypeError, ValueError) as error:
        raise UsageError(
            f"the plan cannot be read ({error}); make it again with 'nearfar plan --json'"
        ) from error
    file = _file(ctx, job)
    file.parent.mkdir(parents=True, exist_ok=True)
    write_whole(file, json.dumps(plan.to_json()))
    return plan


def of(ctx: Context, job: int) -> Bracket:
    """The plan of a job; raises `NotFound`."""
    ctx.store.job(job)
    try:
        stored: Any = json.loads(_file(ctx, job).read_text(encoding="utf-8"))
        return Bracket.from_json(stored)
    except (OSError, ValueError, UsageError) as error:
        raise NotFound(f"no plan is attached to job {job}") from error


def _file(ctx: Context, job: int) -> Path:
    return ctx.places.plans / str(job) / "plan.json"


def compared(ctx: Context, job: int, plan: Bracket) -> tuple[Comparison, list[str]]:
    """What was shot against the plan, as figures and in sentences."""
    found = compare(plan, captured(ctx, job))
    return found, [words(line) for line in told(plan, found)]


def captured(ctx: Context, job: int) -> list[Captured]:
    """The frames of a job, in order. Raises `NotFound`."""
    ctx.store.job(job)
    return [captured_in(frame_path(ctx.places, job, entry.path)) for entry in ctx.store.frames(job)]


def captured_in(path: Path) -> Captured:
    """One frame; of its file only the beginning is read."""
    name = words(path.name)
    try:
        return Captured(name=name, distance=exif_distance(glance(path).camera.subject_distance))
    except (FrameRefused, OSError):  # gone or not here yet: it counts, without a distance
        return Captured(name=name)
