"""Correction long after the merge, for mends and looks: from the dark and flat frames that a report names."""

from __future__ import annotations

import atexit
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nearfar.errors import WorkFailed
from nearfar.frames.headers import FrameHeader
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor.correcting import Masters, corrected, known, make_planes


class _Passing:
    """A temporary folder of this process for the planes of one key, removed when another key is asked for or at exit."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: tuple[str, tempfile.TemporaryDirectory[str]] | None = None

    def folder(self, name: str) -> Path:
        """The folder for a key, empty if it was made now."""
        with self._lock:
            if self._held is None or self._held[0] != name:
                self.remove()
                self._held = (name, tempfile.TemporaryDirectory(prefix=f"nearfar-{name[:8]}-"))
            return Path(self._held[1].name)

    def remove(self) -> None:
        """Remove the folder, if there is one."""
        if self._held is not None:
            self._held[1].cleanup()
            self._held = None


_PASSING = _Passing()
atexit.register(_PASSING.remove)


def corrected_again(header: FrameHeader, said: Mapping[str, Any] | None) -> FrameHeader:
    """The header of a frame, asking for the correction that a report describes; the planes are made again if need be.

    Raises
    ------
    SourceChanged
        A dark or flat frame is no longer what it was.
    FrameRefused
        A dark or flat frame cannot be read.
    WorkFailed
        The report's entry is damaged.
    """
    if not said:
        return header
    try:
        dark, flat = (
            tuple(known(Path(each["path"]), each["digest"], header) for each in said[name])
            for name in ("dark", "flat")
        )
    except (KeyError, TypeError) as error:
        raise WorkFailed("the report does not tell of its dark and flat frames; run the job again") from error
    masters = Masters(dark=dark, flat=flat)
    scratch = Scratch(_PASSING.folder(masters.key))
    make_planes(masters, scratch)
    return corrected([header], masters, scratch)[0]
