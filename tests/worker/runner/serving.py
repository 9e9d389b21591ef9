"""A server of real processes for tests: some of them, in a temporary folder, with units that are made up or real.

As a program: ``serving NAME=MODULE...`` runs the command ``nearfar serve`` or, where only workers are asked for,
``nearfar worker``, by the environment, with these processes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil

from nearfar.jobs import JobState, Rules, Store, open_store
from nearfar.places import Places, places_of
from nearfar.runner.processes import supervise
from nearfar.server_settings import ServerSettings, load_server, to_environment

CHECKOUT = Path(__file__).resolve().parents[3]
PATH = os.pathsep.join(str(CHECKOUT / part) for part in ("", "worker", "api"))
MADE_UP = {"keep": "nearfar.runner.keep", "work": "tests.worker.runner.made_up"}
REAL = {"keep": "nearfar.runner.keep", "work": "nearfar.runner.work"}


def settings_for(data: Path, **tables: dict[str, Any]) -> ServerSettings:
    """Settings of a server in a folder, whatever this machine's own say."""
    given: dict[str, dict[str, Any]] = {name: dict(values) for name, values in tables.items()}
    given.setdefault("server", {}).update(data=data, port=0)
    given["worker"] = {"slots": 2, "threads": 2, "memory": "1GiB", "spare_disk": "1MiB"} | given.get(
        "worker", {}
    )
    given["store"] = {"retry_after": 0.0} | given.get("store", {})
    return load_server(given, environment={}, file=Path(os.devnull))


class Server:
    """A running server."""

    def __init__(self, settings: ServerSettings, modules: dict[str, str], log: Path) -> None:
        self.settings, self.modules, self.log = settings, modules, log
        self.places: Places = places_of(settings)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        pairs = [f"{name}={module}" for name, module in self.modules.items()]
        environment = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_")}
        environment |= to_environment(self.settings) | {"PYTHONPATH": PATH}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.worker.runner.serving", *pairs],
                env=environment,
                stdout=log,
                stderr=log,
                cwd=CHECKOUT,
                process_group=0,
            )

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def stop(self) -> float:
        """Stop it in good order; how many seconds that took."""
        assert self.process is not None
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self.process.send_signal(signal.SIGCONT)
        self.process.wait(60)
        return time.monotonic() - began

    def processes(self) -> dict[int, str]:
        """All processes below the server's, by name: 'keep', 'work', 'pool' (a child of work)..."""
        found: dict[int, str] = {}
        try:
            for one in psutil.Process(self.pid).children():
                line = one.cmdline()
                name = next((n for n, module in self.modules.items() if module in line), None)
                if name is None:  # it was just forked
                    continue
                found[one.pid] = name
                found |= {below.pid: "pool" for below in one.children()} if name == "work" else {}
        except psutil.Error:
            pass  # a process ended meanwhile; the others are told of
        return found

    def text(self) -> str:
        return self.log.read_text(errors="replace")


@contextmanager
def serving(
    settings: ServerSettings, modules: dict[str, str] | None = None, log: Path | None = None
) -> Iterator[Server]:
    """Run a server; nothing of it is left afterwards."""
    places_of(settings).make()
    log = log or settings.server.data / "log"
    server = Server(settings, dict(MADE_UP if modules is None else modules), log)
    server.start()
    try:
        yield server
    finally:
        if server.process is not None and server.process.poll() is None:
            server.stop()
        end_all(settings.server.data)


def end_all(data: Path) -> list[int]:
    """End every process that was started for a data folder; which there were."""
    found = [pid for pid in psutil.pids() if _belongs(pid, data)]
    for pid in found:
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            continue
    return found


def _belongs(pid: int, data: Path) -> bool:
    if pid == os.getpid():
        return False
    try:
        return f"NEARFAR_SERVER_DATA={data}\0".encode() in Path(f"/proc/{pid}/environ").read_bytes()
    except OSError:
        return False


def store_of(settings: ServerSettings) -> Store:
    table = settings.store
    rules = Rules(
        lease=table.lease, attempts=table.attempts, retry_after=table.retry_after, worker_silence=table.lease
    )
    return open_store(places_of(settings).store_url, rules=rules)


def wait_for(condition: Callable[[], object], seconds: float = 60.0, *, what: str = "") -> None:
    """Wait for something to become true, generously; fail where it does not."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"not within {seconds:.0f} s: {what or condition}"
        time.sleep(0.05)


def wait_for_state(store: Store, job: int, *states: JobState, seconds: float = 60.0) -> None:
    wait_for(lambda: store.job(job).state in states, seconds, what=f"job {job} is {store.job(job).state}")


def wait_for_workers(store: Store, count: int) -> None:
    wait_for(lambda: len(store.workers(alive=True)) >= count, what=f"{count} workers")


def main() -> int:
    from nearfar.cli import command

    modules = dict(pair.split("=", 1) for pair in sys.argv[1:])
    supervise.MODULES.clear()
    supervise.MODULES.update(modules)
    return command.main(["serve"])


if __name__ == "__main__":
    sys.exit(main())
