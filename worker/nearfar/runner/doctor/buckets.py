"""Checks of object storage: does each bucket answer, do its keys let in and stay private, and can results be told apart."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

from nearfar.errors import BucketAway, BucketRefused, UsageError
from nearfar.object_tables import BucketTable
from nearfar.runner.doctor.examine import Finding, Subject, advice, fine, problem

NEAR = ("http://127.0.0.1", "http://localhost", "http://[::1]")


def buckets(subject: Subject) -> Iterator[Finding]:
    """Ask each bucket of the settings what lies where the server may look; nothing is written."""
    for table in subject.settings.objects.buckets:
        yield from _keys(table)
        yield _answer(table)


def _keys(table: BucketTable) -> Iterator[Finding]:
    about = f"bucket {table.name}"
    file = None if table.keys.startswith("env:") else Path(table.keys)
    if file is not None and file.exists() and file.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH):
        yield advice(
            about, f"{file} holds its secret, and every user of this machine can read it", f"chmod 600 {file}"
        )
    if table.endpoint.startswith("http://") and not table.endpoint.startswith(NEAR):
        yield advice(
            about,
            f"{table.endpoint}: frames and results cross the network for everyone to see",
            "Use https:// if others can listen.",
        )


def _answer(table: BucketTable) -> Finding:
    from nearfar.runner.objects.buckets import Bucket

    about, places = (
        f"bucket {table.name}",
        [table.prefix, *([table.results] if table.results is not None else [])],
    )
    try:
        bucket = Bucket(table)
        for prefix in places:
            bucket.listed(prefix, most=1)
    except UsageError as error:
        return problem(about, str(error), "Correct keys of objects.buckets, or install what is missing.")
    except BucketAway as error:
        return problem(
            about,
            f"{error} ({table.endpoint})",
            "Correct endpoint of objects.buckets, or wait: what is to be carried is tried again.",
        )
    except BucketRefused as error:
        return problem(
            about, str(error), "Do what the message says; jobs that need the bucket fail until then."
        )
    written = f", results go to {table.target}" if table.results is not None else ""
    return fine(
        about, f"{table.endpoint} answers, frames are fetched from s3://{table.name}/{table.prefix}{written}"
    )
