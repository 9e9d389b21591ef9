"""The command ``nearfar serve`` as a person runs it, in a temporary data folder, and questions to it over HTTP."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

from tests.acceptance.command import HOME, environment
from tests.api.process import NO_TLS, PATIENCE
from tests.bench.running import nearfar_command
from tests.worker.runner.serving import end_all

QUICK = {
    "NEARFAR_INBOX_SCAN": "0.3",
    "NEARFAR_INBOX_QUIET": "1.5",
    "NEARFAR_WORKER_THREADS": "2",
    "NEARFAR_WORKER_MEMORY": "1GiB",
    "NEARFAR_WORKER_SPARE_DISK": "1MiB",
    "NEARFAR_STORE_RETRY_AFTER": "0",
}
"""Less waiting than a person's server has, and no more of the machine than a test may take."""
LONGEST_REST = 0.25
"""Seconds between two looks at something that takes long."""


class Served:
    """A server in ``data``; ``env`` goes on top of its environment, ``only`` names its parts if not all are needed."""

    def __init__(self, data: Path, env: Mapping[str, str], only: Sequence[str] = ()) -> None:
        self.data = data
        self.only = only
        self.env = {**QUICK, **env}
        self.log = data.with_name(f"{data.name}.log")
        self.process: subprocess.Popen[bytes] | None = None
        self.url = ""

    @property
    def inbox(self) -> Path:
        return self.data / "inbox"

    @property
    def results(self) -> Path:
        return self.data / "results"

    def start(self) -> None:
        """Start it and wait until it says that it is ready."""
        HOME.mkdir(exist_ok=True)
        parts = [word for name in self.only for word in ("--only", name)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*nearfar_command(), "serve", "--data", str(self.data), "--port", "0", *parts],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environment(self.env),
                process_group=0,
            )
        self.url = ""
        self.wait(self._ready, what="the server is ready")

    def _ready(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, "the server ended"
        try:
            told = json.loads((self.data / "state" / "address.json").read_text())
            if told["pid"] != self.process.pid:  # of the one before
                return False
            self.url = told["url"]
            return httpx.get(f"{self.url}/health/ready", verify=NO_TLS).is_success
        except (OSError, ValueError, httpx.TransportError):
            return False

    def stop(self, number: int = signal.SIGTERM) -> int:
        """End it by a signal; its exit code."""
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(60)

    def freeze_workers(self) -> None:
        """What is in work from now on stays so, however fast the machine is; until its processes are killed."""
        for pid in processes_of(self.data):
            with suppress(OSError):
                if b"nearfar.runner.work\0" in Path(f"/proc/{pid}/cmdline").read_bytes():
                    os.kill(pid, signal.SIGSTOP)

    def wait(self, condition: Callable[[], object], seconds: float = 120, *, what: str = "") -> None:
        """Wait for something, generously; what the server said is part of the failure."""
        end, rest = time.monotonic() + seconds, 0.02
        while not condition():
            assert time.monotonic() < end, (what, self.log.read_text(errors="replace")[-4000:])
            time.sleep(rest)
            rest = min(1.3 * rest, LONGEST_REST)

    def get(self, path: str) -> Any:
        """What the API has at a path, from JSON."""
        key = self.env.get("NEARFAR_SERVER_KEY")
        headers = {"Authorization": f"Bearer {key}"} if key else {}
        answer = httpx.get(f"{self.url}/api/v1{path}", headers=headers, verify=NO_TLS, timeout=PATIENCE)
        return answer.raise_for_status().json()

    def jobs(self) -> list[dict[str, Any]]:
        """All jobs, oldest first."""
        return list(reversed(self.get("/jobs")["jobs"]))

    def state(self, job: int) -> str:
        """The state of a job."""
        return str(self.get(f"/jobs/{job}")["state"])

    def attempts(self, job: int, step: str) -> int:
        """How often this was noted of units of a job."""
        return sum(a["step"] == step for a in self.get(f"/jobs/{job}/attempts")["attempts"])

    def left_on_the_way(self, job: int) -> list[str]:
        """What is still there of all that was made on the way to a job's result."""
        folders = (self.data / "work" / str(job), self.data / "scratch" / str(job))
        making = self.results / ".making"
        found = [p for folder in folders if folder.exists() for p in folder.rglob("*") if p.is_file()]
        return [str(p) for p in (*found, *(making.iterdir() if making.exists() else ()))]


@contextmanager
def served(data: Path, *, only: Sequence[str] = (), **env: str) -> Iterator[Served]:
    """Run a server, or parts of one; nothing of it is left running afterwards."""
    server = Served(data, env, only)
    server.start()
    try:
        yield server
    finally:
        if server.process is not None and server.process.poll() is None:
            server.stop()
        end_all(data)


def processes_of(data: Path) -> list[int]:
    """Processes that were started for a data folder."""
    wanted = f"NEARFAR_SERVER_DATA={data}\0".encode()
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit() or int(entry.name) == os.getpid():
            continue
        try:
            state = (entry / "stat").read_text().rpartition(")")[2].split()[0]
            if state not in "ZX" and wanted in (entry / "environ").read_bytes():
                found.append(int(entry.name))
        except OSError:
            continue
    return found
