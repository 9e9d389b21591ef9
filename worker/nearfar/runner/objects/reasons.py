"""Why a folder in object storage is, or is not, on its way to becoming a picture, and what is carried for a job."""

from __future__ import annotations

from typing import Any

from nearfar.errors import BucketAway, BucketRefused, InputRefused, NearfarError, UsageError
from nearfar.jobs import Job, JobQuery, Store, Transfers
from nearfar.object_tables import BucketTable, address_of
from nearfar.runner.objects import stacks
from nearfar.runner.objects.buckets import Bucket, Stored
from nearfar.server_settings import ServerSettings

SCHEME = "s3://"


def rule_of(address: str, settings: ServerSettings) -> tuple[str, BucketTable | None, str]:
    """What holds for an address by the settings, its bucket if they name it, and its prefix. Raises `UsageError`."""
    try:
        name, prefix = address_of(address)
    except ValueError as error:
        raise UsageError(str(error)) from error
    table = settings.objects.bucket(name)
    if table is None:
        named = ", ".join(bucket.name for bucket in settings.objects.buckets) or "none"
        rule = f"The settings do not name bucket {name}, so it is never contacted. Named in objects.buckets: {named}."
        return rule, None, prefix
    if not prefix.startswith(table.prefix):
        rule = f"Frames of bucket {name} may only be fetched below {table.prefix!r} (prefix in [[objects.buckets]])."
        return rule, None, prefix
    top = table.watch
    if top is None or not prefix.startswith(top):
        at = f"; watched is {SCHEME}{name}/{top}" if top is not None else ""
        return f"It is not watched{at}. Hand it in with: nearfar send {SCHEME}{name}/{prefix}", table, prefix
    if prefix == top:
        return "A watched prefix: each folder directly below it is one stack.", table, prefix
    if "/" in prefix.removeprefix(top).rstrip("/"):
        return (
            f"Only folders directly below {SCHEME}{name}/{top} are stacks; this one lies deeper.",
            table,
            prefix,
        )
    quiet = settings.objects.quiet
    rule = (
        f"The frames directly in it are one stack; it becomes a job once nothing has changed for {quiet:g} s."
    )
    return rule, table, prefix


def found_there(table: BucketTable, prefix: str) -> tuple[list[Stored], str]:
    """The frames directly below a prefix, and what was found in words."""
    try:
        bucket = Bucket(table)
        frames = stacks.frames_below(bucket, prefix)
        if frames:
            one = len(frames) == 1
            return frames, f"{len(frames)} frame{' lies' if one else 's lie'} directly in it."
        below = len(bucket.folders(prefix, most=1000))
        return (
            [],
            f"No frame lies directly in it; {below} folder{'' if below == 1 else 's'} below it."
            if below
            else "Nothing lies there.",
        )
    except BucketAway as error:
        return [], f"The storage does not answer: {error}"
    except (BucketRefused, InputRefused) as error:
        return [], str(error)


def job_of(
    store: Store, settings: ServerSettings, table: BucketTable, prefix: str, frames: list[Stored]
) -> Job | None:
    """The last job that was made of these objects, or of others that lay there."""
    transfers = Transfers(store)
    place = f"{SCHEME}{table.name}/{prefix}"
    try:
        if frames:
            digest = stacks.digest_of(frames, recipe=settings.inbox.recipe, settings={})
            found = store.jobs(JobQuery(owner=settings.server.owner, digest=digest, limit=1)).jobs
            if found:
                return found[0]
        last = transfers.fetched_from(place)
        return None if last is None else store.job(last.job)
    except NearfarError:
        return None


def carried(store: Store, job: int) -> tuple[dict[str, Any], ...]:
    """What is carried for a job, for programs and people."""
    try:
        found, now = Transfers(store).of_jobs([job])[job], store.now()
    except NearfarError:
        return ()
    return tuple(
        {
            "way": str(each.kind),
            "place": each.place,
            "state": each.state,
            "tries": each.tries,
            "seconds": round(max(0.0, each.due - now), 1) if each.state == "waiting" else None,
            "reason": each.reason,
        }
        for each in found
    )


def in_words(each: dict[str, Any]) -> str:
    """One of `carried`."""
    frames = each["way"] == "fetch"
    what = f"Frames from {each['place']}" if frames else f"Result to {each['place']}"
    if each["state"] == "done":
        return f"{what}: {'fetched' if frames else 'delivered'}."
    if each["state"] != "waiting":
        return f"{what}: {each['state']}" + (f": {each['reason']}" if each["reason"] else ".")
    if not each["tries"]:
        return f"{what}: waits for its turn."
    if not each["reason"]:
        return f"{what}: on its way."
    return f"{what}: tried {each['tries']} times, again in {each['seconds']:.0f} s: {each['reason']}"
