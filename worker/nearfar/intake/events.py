"""Events of the file system: they only wake the scan early, and nothing depends on them.

Many shares and container mounts send none, and some are lost; so a test at the start tells whether they come at all.
"""

from __future__ import annotations

import errno
import logging
import os
import secrets
import threading
from collections.abc import Callable
from pathlib import Path

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from nearfar.intake.scanning import said

log = logging.getLogger(__name__)

WANTED: list[type[FileSystemEvent]] = [
    *(DirCreatedEvent, DirDeletedEvent, DirMovedEvent),
    *(FileCreatedEvent, FileClosedEvent, FileDeletedEvent, FileMovedEvent),
]
"""Not those of each write: while a file is being written, the scan looks often anyway."""


class _Handler(FileSystemEventHandler):
    def __init__(self, seen: Callable[[str], None]) -> None:
        self._seen = seen

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Any event will do."""
        self._seen(os.fsdecode(event.src_path))


class Events:
    """Listens in one watched folder and all below it."""

    def __init__(self, folder: str, wake: Callable[[], None]) -> None:
        self.folder = folder
        self.working = False
        """Whether events come, as far as the test showed."""
        self.problem: str | None = None
        """Why they do not, if that is known."""
        self._wake = wake
        self._probe = ""
        self._heard = threading.Event()
        self._observer: BaseObserver | None = None

    def start(self, *, within: float = 1.0) -> None:
        """Listen, and test whether events come; waits for that no longer than ``within`` seconds."""
        observer = Observer()
        try:
            observer.schedule(_Handler(self._seen), self.folder, recursive=True, event_filter=WANTED)
            observer.start()
        except OSError as error:
            self.problem = _in_words(error)
            log.warning("no events of %s: %s", self.folder, self.problem, extra={"action": "watch.no-events"})
            return
        self._observer = observer
        self._test(within)

    def stop(self) -> None:
        """Listen no longer."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(2.0)

    def _seen(self, path: str) -> None:
        if self._probe and Path(path).name == self._probe:
            self._heard.set()
        else:
            self._wake()

    def _test(self, within: float) -> None:
        """Make a file under a temporary name and take it away: that should be heard."""
        self._probe = f".nearfar-{secrets.token_hex(6)}.part"
        probe = Path(self.folder, self._probe)
        try:
            probe.touch(exist_ok=False)
            probe.unlink()
        except OSError as error:
            self.problem = f"not tested, since nothing can be written there: {said(error)}"
            return
        self.working = self._heard.wait(within)
        if not self.working:
            self.problem = "the file system sends none; the folder is scanned all the same"


def _in_words(error: OSError) -> str:
    if error.errno == errno.ENOSPC:  # "No space left on device", which misleads
        return (
            "the system's limit of watched folders is reached; raise the sysctl fs.inotify.max_user_watches"
        )
    if error.errno == errno.EMFILE:
        return "the system's limit of watchers is reached; raise the sysctl fs.inotify.max_user_instances"
    return said(error)
