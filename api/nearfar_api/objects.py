"""Stacks that lie in a bucket: which the settings allow, and what lies there; results that are put there again.

An address that is not allowed is answered alike whether it is the bucket or the prefix that is not: nobody learns from the
server what there is elsewhere, and nothing outside the settings is asked.
"""

from __future__ import annotations

from collections.abc import Sequence

from nearfar.errors import StackRefused
from nearfar.jobs import Transfers
from nearfar.object_tables import BucketTable, address_of
from nearfar.runner.objects.buckets import Bucket, Stored
from nearfar.runner.objects.stacks import frames_below, place_of
from nearfar.settings import format_size
from nearfar_api.context import Context
from nearfar_api.models.requests import MOST_FRAMES
from nearfar_api.problems import Problem


def listed(ctx: Context, address: str) -> tuple[str, list[Stored]]:
    """The address as it is kept, and the frames that lie there, in natural order of their names.

    Raises
    ------
    Problem
        It is not allowed, or there is too much of it.
    BucketRefused, StackRefused
        The storage refuses, or there are no frames.
    """
    table, prefix = _allowed(ctx, address)
    bucket = Bucket(table)
    frames, place = frames_below(bucket, prefix), place_of(bucket, prefix)
    if not frames:
        raise StackRefused(
            f"{place}: no frames found; expected at least one picture (JPEG, PNG, TIFF, HEIF or camera raw). Give the "
            "prefix right below which the frames of one stack lie"
        )
    _check(ctx, place, frames)
    return place, frames


def _allowed(ctx: Context, address: str) -> tuple[BucketTable, str]:
    name, prefix = address_of(address)
    table = ctx.settings.objects.bucket(name)
    if table is None or not prefix.startswith(table.prefix):
        known = [f"s3://{each.name}/{each.prefix}" for each in ctx.settings.objects.buckets]
        raise Problem(
            "no-such-path",
            f"{address}: frames are fetched from {', '.join(known) or 'no bucket'} (objects.buckets).",
        )
    return table, prefix


def _check(ctx: Context, place: str, frames: Sequence[Stored]) -> None:
    if len(frames) > MOST_FRAMES:
        raise Problem("too-large", f"{place}: a stack may have {MOST_FRAMES} frames.", limit=MOST_FRAMES)
    largest = ctx.settings.server.largest_upload
    for each in frames:
        if each.size > largest:
            raise Problem(
                "too-large",
                f"{each.key} has {format_size(each.size)}; a frame may have {format_size(largest)} "
                "(server.largest_upload).",
                limit=largest,
            )


def deliver_again(ctx: Context, job: int, *, who: str) -> None:
    """Put the result of a job into the bucket of the settings once more.

    Raises
    ------
    Problem
        The settings name no place for results.
    NotFound, IllegalTransition
        There is no such job, or it has no result.
    """
    target = ctx.settings.objects.target
    if target is None:
        detail = "none of objects.buckets has results; results stay here"
        raise Problem("invalid", f"{detail}.", errors=[{"pointer": "#", "detail": detail}])
    Transfers(ctx.store).deliver_again(job, target.target, who=who)
