"""Digests of frames and of sets of frames; those of files are kept, so that a restart does not read all of them again."""

from __future__ import annotations

import hashlib
import json
import os
import threading
import time
from collections.abc import Iterable, Mapping
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from nearfar.intake.answering import sign
from nearfar.intake.ledger import Ledger
from nearfar.intake.settling import Mark

PIECE = 4 << 20
MOST = 200_000
"""Digests kept; the oldest go first."""


def set_digest(contents: Iterable[str], *, recipe: str, settings: Mapping[str, Any]) -> str:
    """Digest of a set: the same frames, in any order and under any names, with the same recipe and settings.

    Parameters
    ----------
    contents
        SHA-256 of each frame, in hexadecimal digits.
    """
    said = json.dumps([sorted(contents), recipe, dict(settings)], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()


def content_digest(path: Path | str, mark: Mark) -> str | None:
    """SHA-256 of a file, in hexadecimal digits; None if it is not, or no longer, the file of this mark.

    Raises
    ------
    OSError
    """
    digest = hashlib.sha256()
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    with open(descriptor, "rb", buffering=0) as file:
        if Mark.of(os.fstat(descriptor)) != mark:
            return None
        while piece := file.read(PIECE):
            digest.update(piece)
            sign()
        if Mark.of(os.fstat(descriptor)) != mark:
            return None
    return digest.hexdigest()


class Allowance:
    """Seconds that one look at all folders may spend on reading files, whatever else takes its time; one file it may."""

    def __init__(self, seconds: float) -> None:
        self._left = seconds
        self._began: float | None = None

    @property
    def used_up(self) -> bool:
        """Whether no further file is to be read."""
        return self._began is not None and self._left <= 0

    def __enter__(self) -> None:
        self._began = time.monotonic()

    def __exit__(self, *_: object) -> None:
        self._left -= time.monotonic() - (self._began or 0.0)


class Digests:
    """Digests by device, inode, size and both time stamps, kept in a file."""

    def __init__(self, file: Path) -> None:
        self._ledger = Ledger(file, durable=False)
        self._lock = threading.Lock()
        self.read = 0
        """Files that were read, since this was opened."""

    def known(self, mark: Mark) -> str | None:
        """The digest of a file that was read before and has not changed since."""
        found = self._ledger.records.get(_key(mark))
        return found if isinstance(found, str) else None

    def of(self, path: Path | str, mark: Mark, reading: Allowance | None = None) -> str | None:
        """Digest of a file, read if it is not known; None if it changed while it was read.

        ``reading`` is charged for that, if given; whether it is used up is for the caller to ask.

        Raises
        ------
        OSError
        """
        found = self.known(mark)
        if found is not None:
            return found
        self.read += 1
        with reading or nullcontext():
            digest = content_digest(path, mark)
        if digest is not None:
            with self._lock:  # one may come late, from a share that hung
                self._ledger.put({_key(mark): digest})
                self._forget()
        return digest

    def _forget(self) -> None:
        if len(self._ledger.records) > MOST:
            oldest = list(self._ledger.records)[: MOST // 10]
            self._ledger.put(dict.fromkeys(oldest))


def _key(mark: Mark) -> str:
    return f"{mark.device} {mark.inode} {mark.size} {mark.mtime_ns} {mark.ctime_ns}"
