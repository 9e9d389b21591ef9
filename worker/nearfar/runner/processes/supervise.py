"""The process that starts all others of a server and starts them again when they end.

It knows no pixels, no store and no broker, so that nothing of theirs can bring it down. A process that ends again and
again is started ever more rarely, up to twice a minute, and reported; the others continue.
"""

from __future__ import annotations

import fcntl
import json
import logging
import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from nearfar.errors import UsageError
from nearfar.places import Places
from nearfar.runner import alive
from nearfar.runner.disk import write_whole
from nearfar.runner.processes import beats, child, systemd
from nearfar.runner.processes.here import signal_name
from nearfar.runner.processes.turn import no_locks

log = logging.getLogger(__name__)

MODULES = {
    "keep": "nearfar.runner.keep",
    "work": "nearfar.runner.work",
    "mend": "nearfar.runner.mending.process",
    "watch": "nearfar.runner.watching.process",
    "api": "nearfar_api.__main__",
}
"""The processes of a server, in the order in which they start."""
LAST = "keep"
"""Stopped after all others, since it clears up after them."""
FIRST_REST = 0.5
"""Seconds before a process that ended is started again; doubled each time, up to..."""
LONGEST_REST = 30.0
STEADY = 10.0
"""...and forgotten once it ran for this many seconds."""
CRASHING = 4
"""Ends in a row after which a process counts as one that cannot run."""
STALLED = 90.0
"""Seconds without a sign of progress after which a process is ended and started again."""
STOPPING = 10.0
"""Seconds that processes have to leave in."""
READY = 3.0
"""Seconds after which a process that gives no signs of progress counts as ready."""
TURN = 0.25
"""Seconds between two looks."""


@dataclass
class Child:
    """One process, started as often as need be."""

    name: str
    command: Sequence[str]
    environment: Mapping[str, str]
    fds: tuple[int, ...] = ()
    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    not_before: float = 0.0
    ends: int = 0
    last: str | None = None
    beat: int = field(default=-1)

    def __post_init__(self) -> None:
        self.beat = beats.open_beat(self.name)

    @property
    def crashing(self) -> bool:
        """Whether it ended again and again."""
        return self.ends >= CRASHING

    def start(self, now: float) -> None:
        """Start it."""
        beats.reset(self.beat)
        self.started = now
        try:
            self.process = subprocess.Popen(
                self.command,
                env={**self.environment, beats.VARIABLE: str(self.beat)},
                pass_fds=(*self.fds, self.beat),
                stdin=subprocess.DEVNULL,
                process_group=0,  # Ctrl-C at a terminal is for us alone; we stop the others in order
            )
        except OSError as error:
            self.ended(f"it cannot be started: {error.strerror}", now)

    def ready(self, now: float) -> bool:
        """Whether it gave a first sign of progress, or ran for long enough."""
        there = self.process is not None
        return there and (beats.last(self.beat) is not None or now - self.started > READY)

    def progress(self) -> float:
        """When it last gave a sign of progress, its start counting as one; of one that gives none: now."""
        last = beats.last(self.beat)
        return time.monotonic() if last is None else max(last, self.started)

    def ended(self, how: str, now: float) -> None:
        """Note how it ended, and when it may start again."""
        self.process = None
        self.ends = 1 if now - self.started > STEADY else self.ends + 1
        rest = min(LONGEST_REST, FIRST_REST * 2 ** (self.ends - 1))
        self.not_before = now + rest
        self.last = how
        log.warning(
            "%s ended (%s); it starts again in %.1f s",
            self.name,
            self.last,
            rest,
            extra={"action": "process.ended"},
        )
        if self.ends == CRASHING:
            log.error(
                "%s ended %d times in a row; the others continue without it",
                self.name,
                self.ends,
                extra={"action": "process.crashes"},
            )


class Supervisor:
    """Runs processes until it is told to stop.

    Parameters
    ----------
    children
        The processes.
    places
        Where the state of the server is written to.
    told
        Whether to stop.
    written
        Whether the state of the processes is written down for the server's pages: not that of further workers.
    """

    def __init__(
        self, children: Sequence[Child], places: Places, *, told: Callable[[], bool], written: bool = True
    ) -> None:
        self.children = children
        self.places = places
        self.written = written
        self.told = told
        self._status: str | None = None
        self._pinged = 0.0
        self._ready = False

    def run(self) -> None:
        """Start all, keep them running, stop them in good order."""
        try:
            while not self.told():
                self._turn(time.monotonic())
                time.sleep(TURN)
        finally:
            systemd.notify("STOPPING=1")
            self._stop()

    def _turn(self, now: float) -> None:
        for one in self.children:
            if one.process is not None and (code := one.process.poll()) is not None:
                one.ended(signal_name(code), now)
            elif one.process is None and now >= one.not_before:
                one.start(now)
            elif one.process is not None and now - one.progress() > STALLED:
                log.error(
                    "%s made no progress for %.0f s; it is ended and started again",
                    one.name,
                    STALLED,
                    extra={"action": "process.stalled"},
                )
                one.process.kill()
        self._tell(now)

    def _tell(self, now: float) -> None:
        """Tell systemd and the status page what changed, and that we live while everybody gets on."""
        status = "; ".join(self._words(one) for one in self.children)
        if status != self._status:
            systemd.notify(f"STATUS={status}")
            self._status = status
            self._write()
        if not self._ready and all(one.ready(now) for one in self.children):
            systemd.notify("READY=1")
            self._ready = True
        every = systemd.watchdog_interval()
        stalled = any(one.process is not None and now - one.progress() > STALLED for one in self.children)
        if every is not None and now - self._pinged >= every and not stalled:
            systemd.notify("WATCHDOG=1")
            self._pinged = now
        if not stalled and not any(one.crashing for one in self.children):
            alive.tell(now)

    def _words(self, one: Child) -> str:
        if one.crashing:
            return f"{one.name} cannot run ({one.last})"
        return f"{one.name} runs" if one.process is not None else f"{one.name} starts again ({one.last})"

    def _write(self) -> None:
        if not self.written:
            return
        told = {
            one.name: {
                "pid": one.process.pid if one.process else None,
                "ends": one.ends,
                "last": one.last,
                "crashing": one.crashing,
            }
            for one in self.children
        }
        try:
            write_whole(self.places.state / "processes.json", json.dumps(told))
        except OSError as error:
            log.warning("%s", error, extra={"action": "process.state-not-written"})

    def _stop(self) -> None:
        end = time.monotonic() + STOPPING
        last = [one for one in self.children if one.name == LAST]
        _leave([one for one in self.children if one.name != LAST], end)
        _leave(last, max(end, time.monotonic() + 1.0))


def _leave(children: Sequence[Child], end: float) -> None:
    """Ask processes to leave; end those that are still there when the time is up."""
    running = [one.process for one in children if one.process is not None]
    for process in running:
        process.send_signal(signal.SIGTERM)
        process.send_signal(signal.SIGCONT)
    for process in running:
        try:
            process.wait(max(0.0, end - time.monotonic()))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def lock(places: Places, name: str = "server.lock") -> IO[str]:
    """Hold the data folder, or one part of its server; the lock ends with the file.

    Raises
    ------
    UsageError
        Another server holds it, or the file system knows no locks.
    """
    file = (places.state / name).open("a+", encoding="utf-8")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        file.seek(0)
        whose = file.read(100).strip()
        file.close()
        raise UsageError(
            f"data folder {places.data}: another server runs on it ({whose or 'unknown process'}). Stop that one, "
            "name another folder with --data, or add workers with 'nearfar worker'"
        ) from error
    except OSError as error:
        file.close()
        raise UsageError(no_locks(places.data, error)) from error
    file.truncate(0)
    file.write(f"process {os.getpid()} on {socket.gethostname()}")
    file.flush()
    return file


def bind(host: str, port: int, *, patience: float = 3.0) -> socket.socket:
    """A listening socket, which the process that answers inherits.

    Raises
    ------
    UsageError
        The address cannot be had.
    """
    end = time.monotonic() + patience
    while True:
        try:
            family, kind, number, _, address = socket.getaddrinfo(
                host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )[0]
            with ExitStack() as failing:
                out = failing.enter_context(socket.socket(family, kind, number))
                out.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                out.bind(address)
                out.listen(128)
                failing.pop_all()
            return out
        except OSError as error:
            if time.monotonic() > end or isinstance(error, socket.gaierror):
                raise UsageError(
                    f"cannot listen at {host}, port {port}: {error.strerror or error}. Another program may have it; "
                    "choose another with --port, or 0 for any that is free"
                ) from error
            time.sleep(0.2)  # the processes of a server that was just killed may still hold it


def children(names: Sequence[str], environment: Mapping[str, str], fds: Mapping[str, int]) -> list[Child]:
    """The processes of a server by their names.

    Parameters
    ----------
    names
        Some of `MODULES`.
    environment
        What they are given.
    fds
        Descriptors that a process inherits, by the name of the process.
    """
    return [
        Child(
            name=name,
            command=child.command(MODULES[name]),
            environment=environment,
            fds=(fds[name],) if name in fds else (),
        )
        for name in names
    ]


def write_address(places: Places, host: str, port: int, path: str) -> str:
    """Write down where the server is reached; the address."""
    shown = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - only compared
    url = f"http://{f'[{shown}]' if ':' in shown else shown}:{port}{path}"
    told = {"url": url, "host": host, "port": port, "pid": os.getpid(), "started": time.time()}
    write_whole(Path(places.state / "address.json"), json.dumps(told))
    return url
