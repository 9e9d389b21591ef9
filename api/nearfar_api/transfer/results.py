"""The files of a job's result: which there are, and opening one of them, from its own folder alone."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import NotFound
from nearfar.jobs import Job, JobState
from nearfar.places import Places
from nearfar_api.transfer import beneath

TYPES = {
    ".tif": "image/tiff",
    ".tiff": "image/tiff",
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
    ".xmp": "application/rdf+xml",
}
ENDINGS = {"picture": None, "report": ".report.json", "preview": ".preview.jpg"}
"""Endings of a result's files behind the picture's stem, by what they are."""
LARGEST_REPORT = 64 << 20
"""Bytes of a report; one of ten thousand frames has about 6 MiB."""
Report = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class ResultFile:
    """A file of a result."""

    name: str
    size: int
    modified: float
    type: str


@dataclass(frozen=True, kw_only=True)
class Opened:
    """An open file; its user closes ``fd``."""

    fd: int
    name: str
    size: int
    modified: float
    type: str
    tag: str
    """Strong entity tag: the file is written once and renamed, so inode, size and time tell it apart."""


def type_of(name: str) -> str:
    """Media type by the ending."""
    return TYPES.get(Path(name).suffix.casefold(), "application/octet-stream")


def folder_of(job: Job, places: Places) -> tuple[str, ...]:
    """Steps from the results' folder to the one of this job; raises `NotFound` if there is none."""
    if job.state is not JobState.DONE or job.result is None:
        raise NotFound(f"job {job.id} is {job.state} and has no result")
    try:
        steps = Path(job.result).parent.relative_to(places.results).parts
    except ValueError:
        raise NotFound(f"the result of job {job.id} does not lie in the results' folder any longer") from None
    if not steps:
        raise NotFound(f"job {job.id} has no folder of its own")
    return steps


def files(job: Job, places: Places) -> list[ResultFile]:
    """All files of a result, by name; empty if there is none."""
    try:
        with beneath.opened(places.results, *folder_of(job, places)) as fd:
            found = [_about(fd, entry.name) for entry in os.scandir(fd) if not entry.name.startswith(".")]
    except (NotFound, OSError):
        return []
    return sorted((file for file in found if file is not None), key=lambda file: file.name)


def _about(fd: int, name: str) -> ResultFile | None:
    try:
        status = os.stat(name, dir_fd=fd, follow_symlinks=False)
        name.encode()  # what is not UTF-8 cannot be asked for
    except (OSError, UnicodeEncodeError):
        return None
    if not stat.S_ISREG(status.st_mode):
        return None
    return ResultFile(name=name, size=status.st_size, modified=status.st_mtime, type=type_of(name))


def name_of(job: Job, which: str) -> str:
    """Name of the picture, the report or the preview."""
    ending = ENDINGS[which]
    picture = Path(job.result or "")
    return picture.name if ending is None else f"{picture.stem}{ending}"


def open_file(job: Job, places: Places, name: str) -> Opened:
    """Open a file of a result; raises `NotFound` for everything that is not one."""
    return open_beneath(
        places, folder_of(job, places), name, NotFound(f"the result of job {job.id} has no file {name!r}")
    )


def open_beneath(places: Places, steps: Sequence[str], name: str, missing: NotFound) -> Opened:
    """Open a file in a folder below the results; raises ``missing`` for everything that is not one."""
    if not beneath.plain(name) or name.startswith("."):
        raise missing
    try:
        with beneath.opened(places.results, *steps) as folder:
            flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
            fd = os.open(name, flags, dir_fd=folder)
    except (OSError, ValueError) as error:
        raise missing from error
    status = os.fstat(fd)
    if not stat.S_ISREG(status.st_mode):
        os.close(fd)
        raise missing
    tag = f'"{status.st_ino:x}-{status.st_size:x}-{status.st_mtime_ns:x}"'
    return Opened(
        fd=fd, name=name, size=status.st_size, modified=status.st_mtime, type=type_of(name), tag=tag
    )


def report_of(job: Job, places: Places) -> Report | None:
    """The report of a result; None if it is missing or unreadable."""
    try:
        return read_report(job, places)
    except (NotFound, ValueError):
        return None


def read_report(job: Job, places: Places) -> Report:
    """The report of a result.

    Raises
    ------
    NotFound
        It is not there.
    ValueError
        It is no report.
    """
    opened = open_file(job, places, name_of(job, "report"))
    with os.fdopen(opened.fd, "rb") as file:
        content: Any = json.loads(file.read(LARGEST_REPORT))
    told = isinstance(content, dict) and str(content.get("format", "")).startswith("nearfar-report/")
    if not told or not isinstance(content.get("frames"), list):
        raise ValueError(f"{opened.name}: found no report of format nearfar-report/1")
    return dict(content)
