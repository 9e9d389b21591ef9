"""The API as it really runs: a process with a listening socket, asked over a real connection."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx

PATIENCE = 60.0
"""Seconds; only something that hangs takes that long."""
NO_TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
"""For `httpx`, which otherwise reads all certificates of the machine before each question: 25 ms."""


class Process:
    """``python -m nearfar_api`` on a socket that the test opened."""

    def __init__(self, data: Path, *, log: Path, **settings: str) -> None:
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = log
        self._environment = {
            **os.environ,
            "NEARFAR_SERVER_DATA": str(data),
            "NEARFAR_WORKER_SPARE_DISK": "1",
            "NEARFAR_LOG": "json",
            "NEARFAR_LISTEN_FD": str(self.socket.fileno()),
            **{f"NEARFAR_{name.upper()}": value for name, value in settings.items()},
        }
        self.child: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with open(self.log, "ab") as log:
            self.child = subprocess.Popen(
                [sys.executable, "-m", "nearfar_api"],
                env=self._environment,
                pass_fds=[self.socket.fileno()],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        waited(
            lambda: httpx.get(f"{self.url}/health/live", verify=NO_TLS, timeout=PATIENCE).status_code == 200
        )

    def kill(self) -> None:
        assert self.child is not None
        self.child.kill()
        self.child.wait(PATIENCE)

    def stop(self) -> float:
        """Ask it to stop; how many seconds that took."""
        assert self.child is not None
        began = time.monotonic()
        self.child.send_signal(signal.SIGTERM)
        self.child.wait(PATIENCE)
        return time.monotonic() - began


@contextlib.contextmanager
def running(data: Path, *, log: Path, **settings: str) -> Iterator[Process]:
    process = Process(data, log=log, **settings)
    try:
        process.start()
        yield process
    finally:
        if process.child is not None and process.child.poll() is None:
            process.kill()
        process.socket.close()


def waited(until: Callable[[], bool], *, patience: float = PATIENCE) -> None:
    """Ask again and again until the answer is yes."""
    end = time.monotonic() + patience
    while not until():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.05)
