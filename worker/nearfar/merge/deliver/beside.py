"""The preview and the maps of a picture, made by another process while the picture is written, as files in scratch.

The process that delivers makes whatever was not begun when its turn comes. For what was begun it waits, since to make
it again takes longer, but no longer than it has been at work itself: whoever began it may be gone.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from nearfar.merge.scratch import Scratch

Writer = Callable[[Path], None]
"""Writes one file."""
ENDINGS = ("preview.jpg", "focus.png", "report.png", "focus.tif", "doubt.tif")
"""Endings of the files that can be made this way; those that take longest come first."""
BEGUN = "begun"
LOOK = 0.005
"""Seconds between two looks for a file that was begun."""


class Beside:
    """The side files of the picture with a key."""

    def __init__(self, scratch: Scratch, key: str) -> None:
        self.scratch = scratch
        self.key = key

    def paths(self) -> Iterator[Path]:
        """Where all of them lie, or would lie, and the marks of those that were begun."""
        for ending in ENDINGS:
            yield self.scratch.path(self.key, _kind(ending))
            yield self._mark(ending)

    def _mark(self, ending: str) -> Path:
        return self.scratch.path(self.key, f"{_kind(ending)}-{BEGUN}")

    def make(self, writers: Mapping[str, Writer], check: Callable[[], None]) -> None:
        """Make the files that are not there."""
        for ending in ENDINGS:
            check()
            if not self.scratch.has(self.key, _kind(ending)):
                self._mark(ending).touch()
                with self.scratch.writing(self.key, _kind(ending)) as part:
                    writers[ending](part)

    def wait(self, ending: str, until: float, check: Callable[[], None]) -> None:
        """If a file was begun, wait until it is there, but no longer than ``until`` by `time.monotonic`."""
        if self._mark(ending).exists():
            while not self.scratch.has(self.key, _kind(ending)) and time.monotonic() < until:
                check()
                time.sleep(LOOK)

    def take(self, ending: str, target: Path) -> bool:
        """Copy a file to ``target``; False if it is not there."""
        try:
            shutil.copyfile(self.scratch.path(self.key, _kind(ending)), target)
        except OSError:
            return False
        return True


def _kind(ending: str) -> str:
    return f"beside-{ending}"
