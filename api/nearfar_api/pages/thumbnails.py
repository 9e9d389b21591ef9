"""Small pictures of frames: where a worker's survey put them, and handing them out. No frame is opened here."""

from __future__ import annotations

import os
from typing import Any

from nearfar.errors import NotFound
from nearfar.jobs import Job
from nearfar.places import small_name
from nearfar.runner import planning
from nearfar_api.context import Context
from nearfar_api.models.answers import JobModel
from nearfar_api.transfer import beneath
from nearfar_api.transfer.results import Opened


def known(ctx: Context, job: Job) -> set[int]:
    """Numbers, from 1, of the frames of a job that have a small picture."""
    folder = ctx.places.small / str(planning.root_of(ctx.store, job))
    try:
        return {int(file.stem) for file in folder.iterdir() if file.stem.isdecimal()}
    except OSError:
        return set()


def cover(ctx: Context, job: JobModel) -> int | None:
    """Number of the frame that stands for a stack: the one nearest to the middle of those that have a small picture."""
    numbers = known(ctx, ctx.store.job(job.id))
    middle = (job.frames.total + 1) / 2
    return min(numbers, key=lambda number: abs(number - middle), default=None)


def open_small(ctx: Context, job: Job, number: int) -> Opened:
    """A small picture, open; raises `NotFound`."""
    name = small_name(number)
    try:
        root = str(planning.root_of(ctx.store, job))
        with beneath.opened(ctx.places.small, root) as folder:
            fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
    except OSError as error:
        raise NotFound(f"frame {number} of job {job.id} has no small picture") from error
    status = os.fstat(fd)
    about: dict[str, Any] = {"size": status.st_size, "modified": status.st_mtime, "type": "image/jpeg"}
    return Opened(fd=fd, name=name, tag=f'"{status.st_size:x}-{status.st_mtime_ns:x}"', **about)
