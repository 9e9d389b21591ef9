"""A delivered result, opened to be mended: only its picture, report and focus map are needed.

So a picture can be mended long after its scratch is gone, as long as its frames are there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.deliverable import TILE
from nearfar.frames.delivered import Delivered
from nearfar.merge import turning
from nearfar.merge.deliver.pyramid import preview
from nearfar.merge.kernel.bend import from_json
from nearfar.merge.mending.focus_cells import DeliveredMap
from nearfar.merge.mending.frames import MendFrame
from nearfar.merge.mending.mended import Subject

Named = tuple[str, str]
"""Name and SHA-256 of a frame, by which a report identifies it."""


@contextmanager
def opened(
    picture: Path, focus: Path, report: Mapping[str, Any], paths: Mapping[Named, Path]
) -> Iterator[Subject]:
    """Open a result for the length of a ``with`` block.

    Parameters
    ----------
    picture
        The first picture, before all mends.
    focus
        Its focus map.
    report
        Its report.
    paths
        Where its frames are, by name and digest.

    Raises
    ------
    WorkFailed
        A file is damaged, or a frame of the report is not among ``paths``.
    """
    used = used_frames(report)
    frames = [_frame(entry, paths, picture, report) for entry in used]
    with ExitStack() as open_files:
        first = open_files.enter_context(Delivered(picture))
        if [first.width, first.height] != report["size"]:
            raise _strange(picture)
        focus_map: list[DeliveredMap] = []

        def cells_of() -> DeliveredMap:
            if not focus_map:
                focus_map.append(DeliveredMap(focus, [entry["name"] for entry in used]))
                open_files.callback(focus_map[0].close)
            return focus_map[0]

        yield Subject(
            picture=first,
            frames=frames,
            noise=float(report.get("noise", 0.0)),
            key=str(report["key"]),
            cells=lambda box: cells_of().cells(box),
        )


def used_frames(report: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    """The report's entries of the used frames, in order. Raises `WorkFailed` if the report is damaged."""
    try:
        return [entry for entry in report["frames"] if entry["used"]]
    except (KeyError, TypeError) as error:
        raise WorkFailed(
            "the report of the picture does not tell of its frames; run the job again"
        ) from error


def _frame(
    entry: Mapping[str, Any],
    paths: Mapping[Named, Path],
    picture: Path,
    report: Mapping[str, Any],
) -> MendFrame:
    try:
        (a, b, c), (d, e, f) = ((float(v) for v in row) for row in entry["pose"])
        return MendFrame(
            path=paths[(entry["name"], entry["digest"])],
            digest=entry["digest"],
            pose=((a, b, c), (d, e, f)),
            gain_ev=float(entry["gain_ev"]),
            bend=from_json(entry.get("bend"), (report["size"][0], report["size"][1])),
            raw=entry.get("raw"),
            turned=turning.from_json(entry.get("turned")),
            corrected=report.get("corrected"),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise _strange(picture) from error


def _strange(picture: Path) -> WorkFailed:
    return WorkFailed(
        f"{picture}: found a report that is not of this picture, or frames that it does not name; put the delivered "
        "files back, or run the job again"
    )


def preview_of(picture: Delivered, edge: int) -> NDArray[np.uint8]:
    """A picture in 8 bit, (h, w, c), its longer edge at most ``edge`` pixels; see `pyramid.preview`."""
    levels = [((level.width, level.height), _tiles(picture, k)) for k, level in enumerate(picture.levels)]
    return preview(levels, picture.channels, edge)


def _tiles(picture: Delivered, number: int) -> Iterator[bytes]:
    level = picture.levels[number]
    count = -(-level.width // TILE) * -(-level.height // TILE)
    return (picture.coded((number, k)) for k in range(count))
