"""A Redis server of the tests' own, in a temporary folder, at a port that was free. It asks for a password."""

from __future__ import annotations

import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import redis

from tests.ports import free_port
from tests.worker.jobs.postgresql import missing

PASSWORD = "lichen7"


class RedisServer:
    """A server that can be emptied, frozen, ended and started again at the same port."""

    def __init__(self, program: str, folder: Path) -> None:
        self.program, self.folder = program, folder
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return self.url_at("127.0.0.1", self.port)

    def url_at(self, address: str, port: int) -> str:
        """Its address for whoever reaches it elsewhere."""
        return f"redis://:{PASSWORD}@{address}:{port}/0"

    def client(self) -> redis.Redis:
        return redis.Redis(port=self.port, password=PASSWORD, socket_timeout=60)

    def start(self) -> None:
        options = {"port": self.port, "bind": "127.0.0.1", "dir": self.folder, "save": "", "appendonly": "no"}
        options["requirepass"] = PASSWORD
        line = [
            self.program,
            *(str(part) for name, value in options.items() for part in (f"--{name}", value)),
        ]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(line, stdout=log, stderr=log)
        for _ in range(1200):
            assert self.process.poll() is None, (self.folder / "log").read_text()
            try:
                with self.client() as client:
                    client.ping()
                return
            except redis.exceptions.ConnectionError:
                time.sleep(0.05)
        raise AssertionError((self.folder / "log").read_text())

    def empty(self) -> None:
        with self.client() as client:
            client.flushall()

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def end(self) -> None:
        """Kill the server at once, so that what it holds is lost."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


@contextmanager
def redis_server() -> Iterator[RedisServer]:
    """Run a server; skips the test where Redis is not installed."""
    program = shutil.which("redis-server") or missing(
        "Redis is not installed (on Debian: apt-get install redis-server)"
    )
    folder = Path(tempfile.mkdtemp(prefix="nearfar-redis-"))
    server = RedisServer(program, folder)
    try:
        server.start()
        yield server
    finally:
        server.end()
        shutil.rmtree(folder, ignore_errors=True)
