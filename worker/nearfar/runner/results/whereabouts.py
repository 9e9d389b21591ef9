"""Where a frame of a delivered job is now: at its place, or where the watch moved it after the merge."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from nearfar.merge.keys import file_digest
from nearfar.places import Places


def frame_now(places: Places, result: Path, path: Path, digest: str) -> Path:
    """The path of a frame; the one on record if it is found nowhere.

    Parameters
    ----------
    result
        The picture of its job: frames are moved into a folder called like the result's, see `moving`.
    path
        Where the frame was when it was submitted.
    digest
        SHA-256 of its bytes; another file of its name is not taken for it.
    """
    if path.is_file():
        return path
    for found in _candidates(places.moved, result.parent.name, path.name):
        with suppress(OSError):
            if found.is_file() and file_digest(found) == digest:
                return found
    return path


def _candidates(moved: Path, stack: str, name: str) -> Iterator[Path]:
    called = re.compile(re.escape(stack) + r"(-\d+)?")
    with suppress(OSError):
        for folder in sorted(entry for entry in moved.iterdir() if called.fullmatch(entry.name)):
            yield folder / name
            for inner in sorted(entry for entry in folder.iterdir() if entry.is_dir()):
                yield inner / name
