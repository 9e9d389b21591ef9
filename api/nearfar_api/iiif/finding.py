"""Which file a name under /iiif/3/ means: ``job-17`` is the picture of job 17, ``job-17:focus`` its map of frames."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from nearfar.errors import NotFound
from nearfar_api import results
from nearfar_api.context import Context

NAME = re.compile(r"job-([1-9][0-9]{0,17})(?::([a-z]+))?")
MAPS = ("focus", "doubt")
"""What can be seen of a job besides its picture."""


def finder(context: Context) -> Callable[[str], Path | None]:
    """A function from a name to a file, for `nearfar_api.iiif.routes.router`; it asks the store each time."""

    def find(identifier: str) -> Path | None:
        match = NAME.fullmatch(identifier)
        if match is None or match[2] not in (None, *MAPS):
            return None
        try:
            job = context.store.job(int(match[1]))
            folder = context.places.results.joinpath(*results.folder_of(job, context.places))
        except NotFound:
            return None
        picture = Path(job.result or "")
        return folder / (f"{picture.stem}.{match[2]}.tif" if match[2] else picture.name)

    return find
