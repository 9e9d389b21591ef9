"""Pictures that are open, so that a viewer's hundreds of requests read a file's directory once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

from nearfar_api.iiif.pictures import Identity, Picture

MOST = 32
"""Open files."""


class Shelf:
    """The pictures asked for last. One that was replaced on the disk is opened again."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._open: OrderedDict[Path, Picture] = OrderedDict()
        self._lock = threading.Lock()

    def picture(self, path: Path) -> Picture:
        """The picture at a path as it is now.

        Raises
        ------
        FrameRefused
            It is no picture of ours.
        OSError
            There is nothing, or it may not be read.
        """
        now = Identity.of(path.stat(follow_symlinks=False))
        with self._lock:
            found = self._open.get(path)
            if found is not None and found.identity == now:
                self._open.move_to_end(path)
                return found
        made = Picture(path)
        with self._lock:
            self._open[path] = made
            self._open.move_to_end(path)
            while len(self._open) > self._most:
                self._open.popitem(last=False)  # its file closes when the last reader has done
        return made
