"""Bytes of results, counted on the disk and again when a folder changes; and a lock for each owner's submissions."""

from __future__ import annotations

import os
import threading
from pathlib import Path


class Book:
    """Bytes of folders of results, counted again only if a folder changed; and the locks of owners."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._sizes: dict[str, tuple[int, int]] = {}
        self._turns: dict[str, threading.Lock] = {}

    def turn(self, owner: str) -> threading.Lock:
        """Lock for checking the limits of an owner and then writing."""
        with self._lock:
            return self._turns.setdefault(owner, threading.Lock())

    def size(self, folder: Path) -> int:
        """Bytes of the files in a folder; 0 if there is none."""
        try:
            changed = folder.stat().st_mtime_ns
        except OSError:
            return 0
        with self._lock:
            known = self._sizes.get(str(folder))
        if known is not None and known[0] == changed:
            return known[1]
        size = _bytes_in(folder)
        with self._lock:
            self._sizes[str(folder)] = (changed, size)
        return size


def _bytes_in(folder: Path) -> int:
    total = 0
    try:
        for entry in os.scandir(folder):
            if entry.is_file(follow_symlinks=False):
                total += entry.stat(follow_symlinks=False).st_size
    except OSError:
        return total
    return total
