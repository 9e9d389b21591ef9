"""What a name under /iiif/3/ means: ``job-17`` is the picture of job 17, ``job-17:focus`` its map of frames,
``job-17:frame-3`` its third frame, carried into the picture's geometry, ``job-17:before`` the picture before all mends.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path

from nearfar.errors import NotFound
from nearfar.runner.results.versions import first_picture
from nearfar_api.context import Context
from nearfar_api.looking import Lookout
from nearfar_api.transfer import results

NAME = re.compile(r"job-([1-9][0-9]{0,17})(?::(?:(focus|doubt|before)|frame-([1-9][0-9]{0,5})))?")


def finder(context: Context, lookout: Lookout) -> Callable[[str], Path | Future[Path] | None]:
    """A function from a name to a file or a future for one; for `nearfar_api.iiif.routes.router`. It asks the store
    each time.
    """

    def find(identifier: str) -> Path | Future[Path] | None:
        match = NAME.fullmatch(identifier)
        if match is None:
            return None
        number, kind, frame = match.groups()
        if frame is not None:
            return lookout.frame(int(number), int(frame))
        try:
            job = context.store.job(int(number))
            folder = context.places.results.joinpath(*results.folder_of(job, context.places))
        except NotFound:
            return None
        picture = Path(job.result or "")
        if kind == "before":
            return first_picture(folder / picture.name)
        return folder / (f"{picture.stem}.{kind}.tif" if kind else picture.name)

    return find
