"""A deliver unit: unit 0 writes, checks and publishes the result, a further one makes what belongs to it meanwhile."""

from __future__ import annotations

import errno
from pathlib import Path

from nearfar.errors import WorkFailed
from nearfar.jobs import Outcome, UnitKind, UnitState
from nearfar.merge.deliver.beside import Beside
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.deliver.report import Report
from nearfar.merge.memory import peak_resident
from nearfar.merge.sharing import help_deliver
from nearfar.merge.steps import Steps
from nearfar.runner.failures import told_by_another
from nearfar.runner.results.publish import Mark, Results, check_picture, check_side_files, safe_name
from nearfar.runner.stages.picturing import render_bands
from nearfar.runner.stages.stack import Stack
from nearfar.runner.weights import seconds_so_far

CHECKING = 0.3
"""Share of delivery that writing the files and opening them again takes."""


def deliver(stack: Stack) -> Outcome:
    """Deliver the picture, or help."""
    if stack.claim.start > 0:
        _help(stack)
        return Outcome()
    task, scratch = stack.task, stack.scratch
    steps, _ = stack.steps()
    results = Results(stack.hands.places.results)
    stack.hands.places.make_again(results.folder)
    mark = Mark(id=task.job.id, run=task.job.run, key=steps.keys.result)
    names = steps.keys.bands(steps.bands)
    stack.spent = [scratch.path(name, "band") for name in names]
    stack.spent += [*steps.reduced().paths(), *Beside(scratch, steps.keys.result).paths()]
    picture = results.find(task.job.stack, mark)
    if picture is not None:
        return Outcome(job_result=str(picture))
    made = render_bands(stack, steps, range(steps.bands))
    stack.room(scratch.local, steps.plan.result // 2)
    stack.room(results.folder, steps.plan.result)
    try:
        picture = _publish(stack, steps, results, mark)
    except WorkFailed:  # what was taken may be what is wrong
        for path in (*steps.reduced().paths(), *Beside(scratch, mark.key).paths()):
            path.unlink(missing_ok=True)
        raise
    return Outcome(job_result=str(picture), counts={"pictures": 1.0, "pixels": made})


def _help(stack: Stack) -> None:
    """Make the small pictures and the map of frames, unless unit 0 is done."""
    own = [u for u in stack.units() if u.kind is UnitKind.DELIVER and u.start == 0]
    if all(u.state is UnitState.DONE for u in own):
        return
    with told_by_another(stack.claim):
        steps, _ = stack.steps()
        if steps.missing(range(steps.bands)):
            return
        stack.room(stack.scratch.local, steps.plan.result // 2)
        help_deliver(steps)


def _publish(stack: Stack, steps: Steps, results: Results, mark: Mark) -> Path:
    task, holding = stack.task, stack.holding
    check, threads = holding.check, stack.hands.threads
    with results.staging(stack.claim.job, stack.claim.token) as staged, steps.delivery() as delivery:
        outputs = Outputs.beside(staged / f"{safe_name(task.job.stack)}.tif", durable=False)
        left = max(0.0, 1.0 - CHECKING - holding.progress)
        share = steps.gather(delivery, stack.gauge.part(left, steps.blocks(range(steps.bands))))
        seconds, peak = _so_far(stack)
        steps.deliver(
            *(delivery, share, outputs),
            notes=[f"{task.paths[k].name}: {why}" for k, why in sorted(stack.left_out.items())],
            finish=lambda r: _completed(stack, r, mark, seconds, peak),
            verify=lambda part, sums: check_picture(
                part, sums, size=steps.size, threads=threads, check=check
            ),
            beside=Beside(stack.scratch, steps.keys.result),
        )
        tick = stack.gauge.part(CHECKING, 2.0)
        tick(1.0)
        check_side_files(outputs, size=steps.size, threads=threads, check=check)
        tick(1.0)
        return results.publish(staged, task.job.stack, mark, fence=lambda: _fence(stack))


def _so_far(stack: Stack) -> tuple[dict[str, float], int]:
    """Seconds of the units of each step of this run, and the peak of their memory."""
    units = stack.units()
    attempts = stack.holding.tell(lambda: stack.holding.store.attempts(stack.task.job.id))
    peaks = [int((u.result or {}).get("peak", 0)) for u in units]
    return seconds_so_far(units, attempts), max([0, *peaks])


def _completed(stack: Stack, report: Report, mark: Mark, seconds: dict[str, float], peak: int) -> Report:
    total = sum(seconds.values()) + stack.holding.seconds
    timed = report.timed({**seconds, "total": total}, max(peak, peak_resident()))
    return Report({**timed.content, "job": mark.as_json()})


def _fence(stack: Stack) -> None:
    """Raise if somebody else has the unit by now, or nobody wants it."""
    holding = stack.holding
    holding.check()
    holding.tell(holding.listen)
    holding.check()
    away = holding.tell(lambda: stack.hands.why_away(holding.store))
    if away is not None:  # the folder below may be that of a share which is not mounted
        raise OSError(errno.ENODEV, away)
