"""Webhooks: who gets messages about stacks."""

from __future__ import annotations

from typing import Annotated, Literal

import anyio
import anyio.to_thread
from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from nearfar.jobs.messages.outbox import Message, Target
from nearfar_api import targets
from nearfar_api.access.caller import By
from nearfar_api.context import Ctx
from nearfar_api.models.answers import Moment, moment
from nearfar_api.models.requests import Owner, PathText
from nearfar_api.openapi import refusals
from nearfar_api.routes.bodies import JSON

router = APIRouter(prefix="/api/v1/targets", tags=["targets"])

TargetNumber = Annotated[int, Path(ge=1, lt=2**63, description="Number of the target.")]
TURNS = anyio.CapacityLimiter(4)
"""A receiver may take long to answer: at most so many at a time, so that other requests have threads."""


class NewTarget(BaseModel):
    """A program that is to get messages."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    address: PathText = Field(description="Of a program, by https or http; not in the server's own network.")
    about: list[Literal["done", "failed", "held", "disk"]] = Field(
        default=[], max_length=4, description="done, failed and held if nothing is given."
    )
    owner: Owner | None = Field(
        default=None,
        description="Whose jobs it is about; others' than one's own, and '*', take the role run.",
    )


class TargetModel(BaseModel):
    """Somebody who gets messages."""

    model_config = ConfigDict(frozen=True)
    id: int
    owner: str = Field(description="Whose jobs it is about; '*': everybody's.")
    channel: Literal["webhook", "mail"]
    address: str
    about: list[str]
    created: Moment
    made_by: str
    stopped: str | None = Field(description="Why nothing is sent there any longer.")
    last: str | None = Field(description="What became of the message that was sent last.")


class MadeTarget(TargetModel):
    """A new one."""

    secret: str = Field(description="What its messages are signed with (Standard Webhooks); shown this once.")


class TargetList(BaseModel):
    """Those that one may see."""

    model_config = ConfigDict(frozen=True)
    targets: list[TargetModel]


class Tried(BaseModel):
    """What became of a test message."""

    model_config = ConfigDict(frozen=True)
    arrived: bool
    answer: str


def _model(target: Target, last: Message | None = None) -> TargetModel:
    plain = {
        name: getattr(target, name) for name in ("id", "owner", "channel", "address", "made_by", "stopped")
    }
    told = f"{last.about}, {last.state}: {last.answer or 'not yet'}" if last is not None else None
    return TargetModel(**plain, about=list(target.events), created=moment(target.created) or "", last=told)


@router.get("", operation_id="listTargets", summary="List who gets messages")
def list_targets(ctx: Ctx, by: By) -> TargetList:
    """The caller's own targets, or all of them with the role run."""
    return TargetList(targets=[_model(target, last) for target, last in targets.seen(ctx, by)])


@router.post(
    "",
    status_code=201,
    operation_id="addTarget",
    summary="Add a webhook",
    responses=refusals("no-right", "invalid"),
    dependencies=JSON,
)
def add_target(ctx: Ctx, by: By, new: NewTarget) -> MadeTarget:
    """The webhook gets messages from now on, signed as the Standard Webhooks specification says."""
    made = targets.add(ctx, by, new.address, about=new.about, owner=new.owner)
    return MadeTarget(**dict(_model(made)), secret=made.secret or "")


@router.post(
    "/{target}/try",
    operation_id="tryTarget",
    summary="Send a test message now",
    responses=refusals("not-found"),
    dependencies=JSON,
)
async def try_target(ctx: Ctx, by: By, target: TargetNumber) -> Tried:
    """Returns what the receiver answered, or why nothing was sent."""
    found = await run_in_threadpool(targets.one, ctx, by, target)
    arrived, answer = await anyio.to_thread.run_sync(
        lambda: targets.try_now(ctx, found, by=by), limiter=TURNS
    )
    return Tried(arrived=arrived, answer=answer)


@router.delete(
    "/{target}",
    status_code=204,
    operation_id="removeTarget",
    summary="Stop messages to a target",
    responses=refusals("not-found"),
)
def remove_target(ctx: Ctx, by: By, target: TargetNumber) -> None:
    """The record of what was sent there is removed as well."""
    targets.remove(ctx, targets.one(ctx, by, target), by=by)
