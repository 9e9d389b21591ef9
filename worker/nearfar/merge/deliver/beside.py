"""The preview and the maps of a picture, made by another process while the picture is written, as files in scratch.

Nobody waits for them: the process that delivers makes whatever is not there when its turn comes.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from nearfar.merge.scratch import Scratch

Writer = Callable[[Path], None]
"""Writes one file."""
ENDINGS = ("preview.jpg", "focus.tif", "focus.png", "doubt.tif")
"""Endings of the files that can be made this way; those that take longest come first."""


class Beside:
    """The side files of the picture with a key."""

    def __init__(self, scratch: Scratch, key: str) -> None:
        self.scratch = scratch
        self.key = key

    def paths(self) -> Iterator[Path]:
        """Where all of them lie, or would lie."""
        return (self.scratch.path(self.key, _kind(ending)) for ending in ENDINGS)

    def make(self, writers: Mapping[str, Writer], check: Callable[[], None]) -> None:
        """Make the files that are not there."""
        for ending in ENDINGS:
            check()
            if not self.scratch.has(self.key, _kind(ending)):
                with self.scratch.writing(self.key, _kind(ending)) as part:
                    writers[ending](part)

    def take(self, ending: str, target: Path) -> bool:
        """Copy a file to ``target``; False if it is not there."""
        try:
            shutil.copyfile(self.scratch.path(self.key, _kind(ending)), target)
        except OSError:
            return False
        return True


def _kind(ending: str) -> str:
    return f"beside-{ending}"
