"""The limits of the settings on what an owner takes up of the server; excess is refused before anything is written.

Submissions of one owner are checked one after the other, so that many at a time cannot exceed a limit together.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from nearfar.jobs import People
from nearfar.settings import format_size
from nearfar_api.context import Context
from nearfar_api.problems import Problem


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What one owner takes up, and the limits (0: none)."""

    jobs: int
    uploads: int
    results: int
    most_jobs: int
    most_uploads: int
    most_results: int


def standing(ctx: Context, owner: str) -> Standing:
    """What an owner takes up, and the limits."""
    taken, limits = People(ctx.store).taken(owner), ctx.settings.people
    kept = sum(
        size
        for job, size in taken.sent.items()
        if job in taken.unended or (ctx.places.uploads / str(job)).is_dir()
    )
    results = sum(ctx.quotas.size(Path(picture).parent) for picture in set(taken.results.values()))
    return Standing(
        jobs=taken.waiting,
        uploads=kept,
        results=results,
        most_jobs=limits.jobs,
        most_uploads=limits.uploads,
        most_results=limits.results,
    )


@contextmanager
def checked(ctx: Context, owner: str, *, upload: int = 0) -> Iterator[None]:
    """For the time in which an owner submits a job with this many bytes to upload; raises `Problem` if that is too much."""
    limits = ctx.settings.people
    if not ctx.settings.server.locked or not (limits.jobs or limits.uploads or limits.results):
        yield
        return
    with ctx.quotas.turn(owner):
        _check(standing(ctx, owner), owner, upload)
        yield


def _check(taken: Standing, owner: str, upload: int) -> None:
    if taken.most_jobs and taken.jobs >= taken.most_jobs:
        raise _reached(
            owner, f"{taken.jobs} jobs have not ended, and {taken.most_jobs} may be (people.jobs)", "jobs"
        )
    if taken.most_uploads and upload and taken.uploads + upload > taken.most_uploads:
        raise _reached(
            owner,
            f"{format_size(taken.uploads)} of uploads are kept and {format_size(upload)} are to come, of "
            f"{format_size(taken.most_uploads)} (people.uploads)",
            "uploads",
        )
    if taken.most_results and taken.results >= taken.most_results:
        raise _reached(
            owner,
            f"{format_size(taken.results)} of results are kept, of {format_size(taken.most_results)} (people.results)",
            "results",
        )


def _reached(owner: str, why: str, which: str) -> Problem:
    return Problem("quota-reached", f"Nothing new is taken from {owner}: {why}.", quota=which)
