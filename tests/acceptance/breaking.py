"""An unreliable line between a command and a server: each connection ends after a number of bytes one way or the other."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from urllib.parse import urlsplit


@dataclass
class Line:
    """Where to connect, and how the next connections break."""

    url: str = ""
    up: list[int] = field(default_factory=list)
    """Bytes towards the server after which each of the next connections that carry that many breaks."""
    down: list[int] = field(default_factory=list)
    """The same for bytes from the server."""
    breaks: int = 0


@contextlib.contextmanager
def breaking(to: str) -> Iterator[Line]:
    """A line to the server at ``to``."""
    line = Line()
    parts = urlsplit(to)
    address = (parts.hostname or "", parts.port or 80)
    ended = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(0.1)
        line.url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        thread = threading.Thread(target=_accept, args=(listening, address, line, ended))
        thread.start()
        try:
            yield line
        finally:
            ended.set()
            thread.join()


def _accept(listening: socket.socket, address: tuple[str, int], line: Line, ended: threading.Event) -> None:
    threads = []
    while not ended.is_set():
        try:
            near, _ = listening.accept()
        except TimeoutError:
            continue
        far = socket.create_connection(address)
        for one, other, limits in ((near, far, line.up), (far, near, line.down)):
            threads.append(threading.Thread(target=_carry, args=(one, other, limits, line, ended)))
            threads[-1].start()
    for thread in threads:
        thread.join()


def _carry(
    one: socket.socket, other: socket.socket, limits: list[int], line: Line, ended: threading.Event
) -> None:
    carried = 0
    one.settimeout(0.1)
    with one, other, contextlib.suppress(OSError):
        while not ended.is_set():
            try:
                piece = one.recv(8192)
            except TimeoutError:
                continue
            if not piece:
                return
            carried += len(piece)
            if limits and carried > limits[0]:
                limits.pop(0)
                line.breaks += 1
                other.sendall(piece[: len(piece) // 2])
                for end in (one, other):
                    end.shutdown(socket.SHUT_RDWR)
                return
            other.sendall(piece)
