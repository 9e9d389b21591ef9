"""Focus and render units: the focus map, and bands of the picture."""

from __future__ import annotations

from collections.abc import Sequence

from nearfar.jobs import Outcome, Unit, UnitKind, UnitState
from nearfar.merge.render import BLOCK
from nearfar.merge.sharing import focus_with_helpers, help_focus
from nearfar.merge.steps import Steps
from nearfar.runner.failures import told_by_another
from nearfar.runner.stages.stack import Stack
from nearfar.runner.weights import Extent, render_units


def focus(stack: Stack) -> Outcome:
    """Make the focus map, or help; then it is known what rendering costs where."""
    own = [u for u in stack.units() if u.kind is UnitKind.FOCUS]
    if stack.claim.start > 0:
        _help(stack, own)
        return Outcome()
    steps, _ = stack.steps()
    used = len(steps.used())
    cells = -(-steps.size[0] // 16) * -(-steps.size[1] // 16)
    stack.room(stack.scratch.folder, cells * (3 * used + 60))
    focus_with_helpers(steps, len(own) - 1, stack.gauge.part(1.0, used))
    units = render_units(
        Extent.of_headers([f.header for f in steps.frames]),
        steps.costs(),
        memory=min(steps.plan.least, stack.hands.memory),
        result=steps.plan.result,
    )
    return Outcome(then=units)


def _help(stack: Stack, own: Sequence[Unit]) -> None:
    if any(u.start == 0 and u.state is UnitState.DONE for u in own):
        return
    with told_by_another(stack.claim):
        steps, _ = stack.steps()
        help_focus(steps)


def render(stack: Stack) -> Outcome:
    """Render the bands of this unit."""
    steps, _ = stack.steps()
    which = range(stack.claim.start, min(stack.claim.stop, steps.bands))
    return Outcome(counts={"pixels": render_bands(stack, steps, which)})


def render_bands(stack: Stack, steps: Steps, which: Sequence[int]) -> float:
    """Render what is missing of these bands; pixels made."""
    missing = steps.missing(which)
    if not missing:
        return 0.0
    stack.lay_out(steps, steps.used())
    stack.room(steps.scratch.folder, steps.plan.result * len(missing) // steps.bands)
    for _ in steps.render(missing, stack.gauge.part(1.0, steps.blocks(missing))):
        stack.holding.check()
    steps.reduced().make(missing, stack.holding.check)
    heights = [min(BLOCK, steps.size[1] - BLOCK * band) for band in missing]
    return float(sum(heights) * steps.size[0])
