"""End a process of ours that was stopped in the middle of a write to an SQLite store, since everybody waits for it.

A stopped process keeps its locks: a worker that is frozen (by a signal, a debugger or whoever manages the machine) with the
store's write lock in hand would keep the whole server from writing until it is woken. What it did is lost either way, as
with any worker that is gone. A store of PostgreSQL ends such a transaction itself.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import threading
import time
from pathlib import Path

import sqlalchemy as sa

from nearfar.errors import StoreError
from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner.processes import here

log = logging.getLogger(__name__)

EVERY = 1.0
"""Seconds between two looks."""
PATIENCE = 10.0
"""Seconds that others are kept waiting; less than they wait for their turn before they give up."""
WRITE_LOCK = 120
"""Byte of the file beside the store that a writer has locked; "WAL-mode File Format" of SQLite, section 2.3."""


def writer(file: Path, locks: Path = here.PROC / "locks") -> int | None:
    """Number of the process that writes to an SQLite file in WAL mode; None: none does, or it cannot be seen.

    Read from what the kernel tells of all locks (proc_locks(5)): a process that asked for the lock through the file itself
    would lose those that it has there when it closes the file again.
    """
    try:
        inode = Path(f"{file}-shm").stat().st_ino
        lines = locks.read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    for line in lines:
        fields = line.split()
        if len(fields) != 8 or fields[1] != "POSIX" or fields[3] != "WRITE":
            continue
        pid, where, first, last = fields[4:]
        if where.rpartition(":")[2] == str(inode) and _within(WRITE_LOCK, first, last) and int(pid) > 0:
            return int(pid)
    return None


def _within(byte: int, first: str, last: str) -> bool:
    return int(first) <= byte and (last == "EOF" or byte <= int(last))


class FrozenWriters:
    """A thread that looks for a stopped process that holds the store's write lock.

    Parameters
    ----------
    places
        Where the server's processes are written down.
    store
        Only read from, which a writer does not keep anybody from.
    patience
        Seconds that it may be stopped.
    """

    def __init__(self, places: Places, store: Store, *, patience: float = PATIENCE) -> None:
        self.places = places
        self.store = store
        self.patience = patience
        self._found: tuple[int, int | None] | None = None
        self._since = 0.0
        self._told = False
        self._leaving = threading.Event()
        self._thread = threading.Thread(target=self._run, name="frozen", daemon=True)

    def start(self) -> None:
        """Begin, if the store is an SQLite file."""
        if sa.make_url(self.places.store_url).get_backend_name() == "sqlite":
            self._thread.start()

    def stop(self) -> None:
        """End."""
        self._leaving.set()
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        file = Path(sa.make_url(self.places.store_url).database or "")
        while not self._leaving.wait(EVERY):
            try:
                self.look(file, time.monotonic())
            except (StoreError, OSError) as error:
                log.warning("%s", error, extra={"action": "frozen.not-ended"})

    def look(self, file: Path, now: float) -> None:
        """Once: end who has held the lock for longer than the patience lasts, stopped all the while."""
        pid = writer(file)
        found = (pid, here.started(pid)) if pid is not None and here.stopped(pid) else None
        if found is None or found != self._found:
            self._found, self._since, self._told = found, now, False
        elif now - self._since >= self.patience and not self._told:
            self._told = True
            self._end(found[0], file)

    def _end(self, pid: int, file: Path) -> None:
        if pid not in self._ours():
            log.error(
                "process %d is stopped in the middle of a write to job store %s, and everybody waits for it. Let it go on "
                "(kill -CONT %d) or end it",
                pid,
                file,
                pid,
                extra={"action": "frozen.not-ours"},
            )
            return
        log.error(
            "process %d was stopped in the middle of a write to job store %s, and everybody waited for it: it is ended",
            pid,
            file,
            extra={"action": "frozen.ended"},
        )
        os.kill(pid, signal.SIGKILL)

    def _ours(self) -> set[int]:
        """Workers of this host and what the server started: those are started again."""
        workers = {one.pid for one in self.store.workers() if here.alive(one.id)}
        try:
            told = json.loads((self.places.state / "processes.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return workers
        return workers | {one["pid"] for one in told.values() if one["pid"]}
