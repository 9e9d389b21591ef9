"""Watched folders are claimed, so that two servers with data folders of their own do not both merge what lies in one.

The inbox of a data folder is its own server's by the lock that its watch holds. Any other folder is claimed by a lock on a
small file in it, the only one that Nearfar makes in a watched folder. The system gives locks back however a process ends.
Where the file cannot be made or locked, on a read-only card for example, the folder is watched all the same.
"""

from __future__ import annotations

import errno
import fcntl
import json
import logging
import os
import socket
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from nearfar.intake.answering import Answers
from nearfar.intake.names import WATCHED_BY
from nearfar.places import Places

log = logging.getLogger(__name__)

ANSWER = 5.0
"""Seconds that a folder is waited for: its share may hang."""
MOST = 4096
"""Bytes that are read of a claim."""


class Claims:
    """The claims of one watch.

    Parameters
    ----------
    places
        Of its server.
    mounts
        Folders that are mount points: while nothing is mounted there, nothing is written.
    """

    def __init__(self, places: Places, mounts: Collection[str] = ()) -> None:
        self._inbox = os.path.realpath(places.inbox)
        self._mounts = mounts
        self._said = {"data": str(places.data), "host": socket.gethostname()}
        self._held: dict[str, int] = {}
        self._answers: Answers[str | None] = Answers(ANSWER)
        self._told: set[str] = set()

    def look(self, folders: Iterable[str]) -> dict[str, str]:
        """Claim folders that are not claimed yet; by folder, why one may not be watched."""
        folders = list(folders)
        for folder in folders:
            self._answers.ask(folder, lambda folder=folder: self._claim(folder))  # type: ignore[misc]
        refused = {}
        for folder in folders:
            with suppress(TimeoutError, OSError):
                why = self._answers.take(folder)
                if why is not None:
                    refused[folder] = why
        for folder in refused.keys() - self._told:
            log.warning("%s: %s", folder, refused[folder], extra={"action": "watch.claimed-by-another"})
        self._told = set(refused)
        return refused

    def close(self) -> None:
        """Give all of them back."""
        for descriptor in self._held.values():
            os.close(descriptor)
        self._held.clear()

    def _claim(self, folder: str) -> str | None:
        """Why another server has it; None if none has, or that cannot be told."""
        real = os.path.realpath(folder)
        home = Path(real).parent
        if real != self._inbox and is_locked(lock_in(home / "state")):
            self._give_back(folder)
            return _words({"data": str(home)})
        if self._still_held(folder) or (folder in self._mounts and not os.path.ismount(folder)):
            return None
        make = os.O_CREAT if real != self._inbox else 0
        try:
            flags = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW
            descriptor = os.open(Path(folder, WATCHED_BY), flags | make, 0o666)
        except OSError:
            return None
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            told = _words(_read(descriptor)) if error.errno in (errno.EAGAIN, errno.EACCES) else None
            os.close(descriptor)
            return told
        self._held[folder] = descriptor
        with suppress(OSError):  # a full disk; the lock is what counts
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, json.dumps(self._said).encode(), 0)
        return None

    def _give_back(self, folder: str) -> None:
        descriptor = self._held.pop(folder, None)
        if descriptor is not None:
            os.close(descriptor)

    def _still_held(self, folder: str) -> bool:
        """Whether the file that is locked is still the one that lies there: a share may have been mounted anew."""
        descriptor = self._held.get(folder)
        if descriptor is None:
            return False
        with suppress(OSError):
            mine, there = os.fstat(descriptor), Path(folder, WATCHED_BY).lstat()
            if (mine.st_dev, mine.st_ino) == (there.st_dev, there.st_ino):
                return True
        self._give_back(folder)
        return False


def lock_in(state: Path) -> Path:
    """What the watch of a data folder holds a lock on, in its folder ``state``."""
    return state / "watch.lock"


def is_locked(file: Path) -> bool:
    """Whether a process holds a lock on a file; not if that cannot be told."""
    try:
        with open(file, "rb") as opened:
            fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def _read(descriptor: int) -> dict[str, str]:
    """What a claim says of its owner; nothing if that is no use."""
    try:
        said = json.loads(os.pread(descriptor, MOST, 0))
        return {str(key): str(value) for key, value in said.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def _words(said: Mapping[str, str]) -> str:
    """What to say of a folder that another server has."""
    where = f" on {said['host']}" if "host" in said else ""
    who = f"the server{where} with the data folder {said['data']}" if "data" in said else "another server"
    return (
        f"{who} watches it as well, and both would merge what comes; stop one of the two, or let each watch a folder of "
        "its own"
    )
