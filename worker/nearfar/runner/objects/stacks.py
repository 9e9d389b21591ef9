"""The stack that lies right below a prefix of a bucket: its frames, and the job that is made of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Unpack

from nearfar.errors import StackRefused
from nearfar.intake.digests import set_digest
from nearfar.intake.listing import frames_among
from nearfar.jobs import Submission
from nearfar.merge import recipe as recipes
from nearfar.runner import planning
from nearfar.runner.objects.buckets import Bucket, Stored

MOST = 40_000
"""Objects that a prefix may hold, frames or not."""


def frames_below(bucket: Bucket, prefix: str) -> list[Stored]:
    """The frames directly below a prefix, in natural order of their names. Raises `StackRefused`."""
    found = bucket.listed(prefix, most=MOST)
    if len(found) > MOST:
        raise StackRefused(
            f"{place_of(bucket, prefix)}: more than {MOST} objects; expected those of one stack"
        )
    by_name = {each.key.removeprefix(prefix): each for each in found}
    return [by_name[name] for name in frames_among(by_name)]


def place_of(bucket: Bucket, prefix: str) -> str:
    """As jobs keep it."""
    return f"s3://{bucket.name}/{prefix}"


def detail_of(frames: Sequence[Stored]) -> dict[str, Any]:
    """What the transfer of a job keeps: key and ETag of each frame."""
    return {"objects": [(each.key, each.etag) for each in frames]}


def digest_of(frames: Sequence[Stored], *, recipe: str, settings: Mapping[str, Any]) -> str:
    """The same for the same objects with the same wishes."""
    return set_digest([f"{each.key} {each.etag}" for each in frames], recipe=recipe, settings=settings)


def submission(
    place: str,
    frames: Sequence[Stored],
    *,
    stack: str | None,
    **wanted: Unpack[planning.Wanted],
) -> Submission:
    """The job of frames that are still to be fetched, named by its place if ``stack`` is None.

    Raises as `planning.upload_submission`.
    """
    recipe, settings = wanted.get("recipe", recipes.DEFAULT), wanted.get("settings", {})
    given: planning.Wanted = {
        **wanted,
        "sources": [place],
        "digest": digest_of(frames, recipe=recipe, settings=settings),
    }
    return planning.upload_submission(
        stack or place.rstrip("/").rpartition("/")[2],
        [(each.key.rpartition("/")[2], each.size, None) for each in frames],
        **given,
    )
