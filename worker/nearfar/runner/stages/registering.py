"""A register unit: unit 0 registers the stack, further ones help it."""

from __future__ import annotations

from collections.abc import Sequence

from nearfar.jobs import FrameNote, FrameState, Outcome, Unit, UnitKind, UnitState
from nearfar.merge.sharing import help_register, register_with_helpers
from nearfar.runner.failures import told_by_another
from nearfar.runner.stages.stack import Stack
from nearfar.runner.weights import Extent, last_units


def register(stack: Stack) -> Outcome:
    """Register the stack, or help."""
    own = [u for u in stack.units() if u.kind is UnitKind.REGISTER]
    if stack.claim.start > 0:
        _help(stack, own)
        return Outcome()
    steps, order = stack.steps()
    if not steps.is_registered:
        stack.lay_out(steps, range(len(order)))
    registration = register_with_helpers(steps, len(own) - 1, stack.gauge.part(1.0, 1.0))
    notes = [
        FrameNote(
            position=place,
            state=FrameState.USED if pose.used else FrameState.LEFT_OUT,
            reason=None if pose.used else pose.why,
        )
        for place, pose in zip(order, registration.frames, strict=True)
    ]
    notes += [
        FrameNote(position=k, state=FrameState.LEFT_OUT, reason=why) for k, why in stack.left_out.items()
    ]
    units, weights = last_units(
        Extent.of_headers([f.header for f in steps.frames]),
        memory=min(steps.plan.least, stack.hands.memory),
        result=steps.plan.result,
        others=stack.others(),
    )
    return Outcome(frames=notes, then=units, weights=weights)


def _help(stack: Stack, own: Sequence[Unit]) -> None:
    if any(u.start == 0 and u.state is UnitState.DONE for u in own):
        return
    with told_by_another(stack.claim):
        steps, order = stack.steps()
        if not steps.is_looked_at:
            # from the other end than unit 0: on one machine they meet, and decode each frame once
            stack.lay_out(steps, range(len(order) - 1, -1, -1))
            help_register(steps, stack.claim.start, len(own) - 1)
