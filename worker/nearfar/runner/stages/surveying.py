"""A survey unit: some frames, each alone. The first also finds out what the whole stack will take."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from nearfar.jobs import FrameNote, FrameState, Outcome, UnitPlan
from nearfar.merge.sensor.correcting import space
from nearfar.merge.stack_frames import StackFrames
from nearfar.merge.survey import rows_bytes
from nearfar.merge.turning import words
from nearfar.runner.loading import NOT_A_FRAME, Frames
from nearfar.runner.preparing import prepare_some
from nearfar.runner.results.small import keep_small
from nearfar.runner.stages.stack import Stack
from nearfar.runner.weights import Extent, helpers, last_units

log = logging.getLogger(__name__)


def survey(stack: Stack) -> Outcome:
    """Survey the frames of this unit."""
    task, claim, check = stack.task, stack.claim, stack.holding.check
    weights, least = None, 0
    then: tuple[UnitPlan, ...] = ()
    if claim.start == 0:  # what is wrong with the stack is to be known before all of it is decoded
        weights, least, then = _whole_stack(stack)
    batch = range(claim.start, min(claim.stop, len(task.paths)))
    frames = Frames.read(task, task.wanted(batch), check)
    places = list(frames.headers)
    notes = [FrameNote(position=k, state=FrameState.LEFT_OUT, reason=NOT_A_FRAME) for k in frames.results]
    if not places:
        return Outcome(frames=notes, weights=weights, least=least, then=then)
    frames, stack.masters = prepare_some(task, stack.scratch, frames, check)
    read = stack.find_marks(places, anew=True)
    made = _survey_frames(stack, frames, places)
    for k in places:
        digest, fingerprint = stack.marks[task.paths[k]]
        notes.append(FrameNote(position=k, state=FrameState.PRESENT, size=fingerprint.size, digest=digest))
    counts = {**made, "bytes_read": float(read)}
    return Outcome(frames=notes, weights=weights, least=least, counts=counts, then=then)


def _whole_stack(stack: Stack) -> tuple[dict[str, float], int, tuple[UnitPlan, ...]]:
    """Expected seconds of all stages, the memory without which no worker can go on, and units that help."""
    every, order = stack.frames()
    turned = words([every.headers[k] for k in order])
    if turned is not None:
        log.info("%s", turned, extra={"action": "stack.turned", **stack.claim.log_context()})
    plan = stack.plan(every, order)
    extent = Extent.of_headers([every.headers[k] for k in order])
    _, weights = last_units(extent, memory=plan.least, result=plan.result)
    return weights, plan.least, helpers(extent, stack.others(), memory=plan.least)


def _survey_frames(stack: Stack, frames: Frames, places: Sequence[int]) -> dict[str, float]:
    task, scratch = stack.task, stack.scratch
    batch = StackFrames(stack.given(frames, places), stack.workplace(frames, places))
    missing = [k for k in range(len(places)) if not batch.is_surveyed(k, rows=False)]
    headers = [batch.frames[k].header for k in missing]
    stack.room(scratch.local, sum(map(rows_bytes, headers)))
    small = sum(h.width * h.height // 4 for h in headers)
    stack.room(scratch.folder, small + space(stack.masters))
    batch.survey(missing, rows=False, tick=stack.gauge.part(1.0, len(missing)))
    kept = stack.hands.places.small / str(task.root)
    keep_small([(k + 1, frame) for k, frame in zip(places, batch.frames, strict=True)], scratch, kept)
    return {
        "frames": float(len(missing)),
        "pixels": float(sum(h.width * h.height for h in headers)),
    }
