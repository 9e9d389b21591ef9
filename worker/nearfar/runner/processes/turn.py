"""What processes that there may be only one of have in common: how they end, and how a second one waits its turn."""

from __future__ import annotations

import fcntl
import logging
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from nearfar.runner.processes import beats

log = logging.getLogger(__name__)

AGAIN = 0.5
"""Seconds between two tries to get the lock."""


def stop_on_signals() -> threading.Event:
    """An event that SIGTERM and SIGINT set from now on."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    return stop


@contextmanager
def alone(lock: Path, role: str, stop: threading.Event) -> Iterator[bool]:
    """Wait until no other process holds the lock, and hold it; False if told to stop before.

    The lock ends with the process, however that ends. A file system that knows no locks is told of, and nothing is held.

    Parameters
    ----------
    lock
        A file, made if need be.
    role
        What the process is, in a word, for the log.

    Raises
    ------
    OSError
        The file cannot be opened.
    """
    descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        told = False
        while not stop.is_set():
            beats.beat()
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if not told:
                    log.warning(
                        "another process has %s; waiting until it is gone",
                        lock,
                        extra={"action": f"{role}.waits"},
                    )
                told = True
                stop.wait(AGAIN)
            except OSError as error:  # some network file systems know no locks
                log.warning(
                    "whether another process works here cannot be told by %s: %s",
                    lock,
                    error,
                    extra={"action": f"{role}.no-locks"},
                )
                break
        yield not stop.is_set()
    finally:
        os.close(descriptor)


def no_locks(folder: Path, error: OSError) -> str:
    """What to say of a data folder whose file system refuses locks."""
    return (
        f"data folder {folder}: no file there can be locked ({error.strerror}), so two servers would not notice each "
        "other. Put it on a disk, or mount the share with locks"
    )
