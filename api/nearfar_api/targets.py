"""Programs that get messages about stacks: whose they are, and who may see, add, try and remove them.

People have their own; whoever runs the server has all of them. Over HTTP only webhooks are added: their addresses are judged
before anything is sent there. E-mail goes to whom the settings' mail server reaches, so that is for the command.
"""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import ip_network

from nearfar.errors import UsageError
from nearfar.jobs import Outbox
from nearfar.jobs.messages.outbox import EVENTS, EVERYBODY, USUAL, Message, Target
from nearfar.runner.messages import webhooks
from nearfar.runner.messages.addresses import pinned
from nearfar.runner.messages.sending import Notifier
from nearfar_api.access.caller import Caller
from nearfar_api.context import Context
from nearfar_api.problems import Problem

MOST = 20
"""Targets of one owner."""


def seen(ctx: Context, by: Caller) -> list[tuple[Target, Message | None]]:
    """Those that the caller may see, each with what was sent there last."""
    outbox = Outbox(ctx.store)
    found = outbox.targets(None if by.runs else by.owner)
    return [(target, next(iter(outbox.messages(target=target.id, limit=1)), None)) for target in found]


def one(ctx: Context, by: Caller, number: int) -> Target:
    """A target that is the caller's to try and remove; another's is answered as if it were not there. Raises `Problem`."""
    found = next((target for target, _ in seen(ctx, by) if target.id == number), None)
    if found is None:
        raise Problem("not-found", f"there is no target {number} of yours")
    return found


def add(
    ctx: Context, by: Caller, address: str, *, about: Sequence[str] = (), owner: str | None = None
) -> Target:
    """Send a program messages from now on; the target has the secret, which is shown this once.

    Raises
    ------
    Problem
        It is to be about the jobs of somebody else, which takes the role run.
    UsageError
        The address leads where the server sends nothing, or there are too many already.
    """
    whose = owner or (EVERYBODY if by.runs and by.account is None else by.owner)
    if whose != by.owner and not by.runs:
        raise Problem(
            "no-right",
            f"{by.name} gets messages about jobs of {by.owner}; others' take the role run.",
            needs="run",
        )
    unknown = [word for word in about if word not in EVENTS.values()]
    if unknown:
        raise UsageError(f"about {unknown[0]!r}: expected some of {', '.join(EVENTS.values())}")
    pinned(address, allowed=tuple(ip_network(each) for each in ctx.settings.notify.inside))
    outbox = Outbox(ctx.store)
    if len(outbox.targets(whose)) >= MOST:
        raise UsageError(f"{whose} has {MOST} targets, the most that there may be; remove one first")
    return outbox.add(
        owner=whose,
        channel="webhook",
        address=address,
        about=list(dict.fromkeys(about)) or USUAL,
        secret=webhooks.new_secret(),
        who=by.name,
    )


def try_now(ctx: Context, target: Target, *, by: Caller) -> tuple[bool, str]:
    """Send a test message: whether it arrived, and what was answered. Takes as long as the receiver."""
    notifier = Notifier(ctx.settings, ctx.store)
    try:
        return notifier.try_now(target, f"this is a test that {by.name} asked for")
    except UsageError as error:
        return False, str(error)


def remove(ctx: Context, target: Target, *, by: Caller) -> None:
    """Stop its messages."""
    Outbox(ctx.store).remove(target.id, who=by.name)
