"""Earlier versions of a job's picture: which are kept, and opening a file of one."""

from __future__ import annotations

from pathlib import Path

from nearfar.errors import NotFound
from nearfar.jobs import Job
from nearfar.places import Places
from nearfar.runner.results.versions import EARLIER, Version, earlier
from nearfar_api.transfer import results


def versions(job: Job, places: Places) -> tuple[Version, ...]:
    """Those that are kept, oldest first; none if there is no result."""
    try:
        steps = results.folder_of(job, places)
    except NotFound:
        return ()
    return earlier(places.results.joinpath(*steps) / Path(job.result or "").name)


def open_version(job: Job, places: Places, number: int, which: str) -> results.Opened:
    """Open the picture, report or preview of an earlier version; raises `NotFound` if it is not kept."""
    steps = (*results.folder_of(job, places), EARLIER, str(number))
    missing = NotFound(f"version {number} of the picture of job {job.id} is not kept, or has no {which}")
    return results.open_beneath(places, steps, results.name_of(job, which), missing)
