"""What belongs to a picture and another process made meanwhile: the preview and the maps, as files in scratch.

Nobody waits for them. A file that is not there when its turn comes is made by whoever delivers.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from nearfar.merge.scratch import Scratch

Writer = Callable[[Path], None]
"""Writes one file."""
ENDINGS = ("preview.jpg", "focus.tif", "focus.png", "doubt.tif")
"""What can be made beside a picture, what takes longest first."""


class Beside:
    """Files that belong to the picture under a key."""

    def __init__(self, scratch: Scratch, key: str) -> None:
        self.scratch = scratch
        self.key = key

    def paths(self) -> Iterator[Path]:
        """Where all of them lie, or would lie."""
        return (self.scratch.path(self.key, _kind(ending)) for ending in ENDINGS)

    def make(self, writers: Mapping[str, Writer], check: Callable[[], None]) -> None:
        """Make what is not there."""
        for ending in ENDINGS:
            check()
            if not self.scratch.has(self.key, _kind(ending)):
                with self.scratch.writing(self.key, _kind(ending)) as part:
                    writers[ending](part)

    def take(self, ending: str, target: Path) -> bool:
        """Copy one to ``target``; False: it is not there."""
        try:
            shutil.copyfile(self.scratch.path(self.key, _kind(ending)), target)
        except OSError:
            return False
        return True


def _kind(ending: str) -> str:
    return f"beside-{ending}"
