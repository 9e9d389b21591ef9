"""Stacks that lie in a bucket: which the settings allow, what lies there, and the job that is made of it.

An address that is not allowed is answered alike whether it is the bucket or the prefix that is not: nobody learns from the
server what there is elsewhere, and nothing outside the settings is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from nearfar.errors import StackRefused
from nearfar.intake.digests import set_digest
from nearfar.intake.listing import frames_among
from nearfar.jobs import Submission
from nearfar.object_tables import BucketTable, address_of
from nearfar.runner import planning
from nearfar.settings import format_size
from nearfar_api.context import Context
from nearfar_api.models.requests import MOST_FRAMES, NewJob
from nearfar_api.problems import Problem

if TYPE_CHECKING:
    from nearfar.runner.buckets import Stored

MOST = 4 * MOST_FRAMES
"""Objects that a prefix may hold, frames or not."""


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
    from nearfar.runner.buckets import Bucket

    found = Bucket(table).listed(prefix, most=MOST)
    by_name = {each.key.removeprefix(prefix): each for each in found}
    frames = [by_name[name] for name in frames_among(by_name)]
    place = f"s3://{table.name}/{prefix}"
    if not frames:
        raise StackRefused(
            f"{place}: no frames found among {len(found)} objects; expected at least one picture (JPEG, PNG, TIFF, HEIF or "
            "camera raw). Give the prefix right below which the frames of one stack lie"
        )
    _check(ctx, place, found, frames)
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


def _check(ctx: Context, place: str, found: Sequence[Stored], frames: Sequence[Stored]) -> None:
    if len(found) > MOST or len(frames) > MOST_FRAMES:
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


def submission(new: NewJob, place: str, frames: Sequence[Stored], **common: Any) -> Submission:
    """The job of frames that are still to be fetched. The same objects are the same set. Raises as `planning`."""
    tags = [f"{each.key} {each.etag}" for each in frames]
    return planning.upload_submission(
        new.stack or place.rstrip("/").rpartition("/")[2],
        [(each.key.rpartition("/")[2], each.size, None) for each in frames],
        sources=[place],
        digest=set_digest(tags, recipe=new.recipe, settings=new.settings.given()),
        **common,
    )
