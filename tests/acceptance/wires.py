"""A network that can be cut: what a process reaches through a `Wire` is gone as if the cable had been pulled.

Packets vanish without a word in both directions: what is connected stays connected and hears nothing, and who connects
again waits. What was on its way when the wire was mended arrives late, as over a real network.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager

PIECE = 1 << 16


class Wire:
    """Passes connections at ``port`` of all addresses on to a TCP port or the path of a local socket."""

    def __init__(self, target: tuple[str, int] | str, address: str = "127.0.0.1") -> None:
        self.target = target
        self.whole = threading.Event()
        self.whole.set()
        self._closed = False
        self._listener = socket.create_server((address, 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        self.whole.clear()

    def mend(self) -> None:
        self.whole.set()

    def close(self) -> None:
        self._closed = True
        self.whole.set()
        self._listener.close()

    def _accept(self) -> None:
        while not self._closed:
            try:
                here, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(here,), daemon=True).start()

    def _carry(self, here: socket.socket) -> None:
        with here, contextlib.suppress(OSError):
            self.whole.wait()
            kind = socket.AF_UNIX if isinstance(self.target, str) else socket.AF_INET
            with socket.socket(kind, socket.SOCK_STREAM) as there:
                there.connect(self.target)
                self._pass_on(here, there)

    def _pass_on(self, here: socket.socket, there: socket.socket) -> None:
        with selectors.DefaultSelector() as both:
            both.register(here, selectors.EVENT_READ, there)
            both.register(there, selectors.EVENT_READ, here)
            while not self._closed:
                for key, _ in both.select(0.5):
                    self.whole.wait()
                    data = key.fileobj.recv(PIECE)  # type: ignore[union-attr]
                    if not data:
                        return
                    self.whole.wait()
                    key.data.sendall(data)


class Space:
    """A network space of its own (ip-netns(8)), joined to this one by a cable; ``ours`` is this end's address."""

    def __init__(self, number: int) -> None:
        self.name = f"nf{os.getpid() % 100_000}x{number}"
        self.ours, self.theirs = f"10.213.{number}.1", f"10.213.{number}.2"

    @property
    def prefix(self) -> list[str]:
        """What runs a command there."""
        return ["ip", "netns", "exec", self.name]

    def make(self) -> None:
        near, far = f"{self.name}a", f"{self.name}b"
        _ip("netns", "add", self.name)
        _ip("link", "add", near, "type", "veth", "peer", "name", far, "netns", self.name)
        _ip("addr", "add", f"{self.ours}/30", "dev", near)
        _ip("-n", self.name, "addr", "add", f"{self.theirs}/30", "dev", far)
        _ip("link", "set", near, "up")
        _ip("-n", self.name, "link", "set", far, "up")
        _ip("-n", self.name, "link", "set", "lo", "up")

    def cut(self) -> None:
        _ip("link", "set", f"{self.name}a", "down")

    def mend(self) -> None:
        _ip("link", "set", f"{self.name}a", "up")

    def remove(self) -> None:
        subprocess.run(["ip", "netns", "del", self.name], capture_output=True)


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


@contextmanager
def spaces(count: int) -> Iterator[list[Space]]:
    """Network spaces; none where this machine lets us make none: take wires then."""
    made: list[Space] = []
    try:
        for number in range(1, count + 1):
            space = Space(number)
            try:
                made.append(space)
                space.make()
            except (OSError, subprocess.CalledProcessError):
                for each in made:
                    each.remove()
                made.clear()
                break
        yield made
    finally:
        for space in made:
            space.remove()
