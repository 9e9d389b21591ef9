"""Ports for programs that cannot be handed an open socket."""

from __future__ import annotations

import secrets
import socket

FIRST, LAST = 20_000, 32_000
"""Below those that the system gives to whoever connects (ip(7), ip_local_port_range: 32768 to 60999 by default)."""


def free_port() -> int:
    """A port of this machine at which nobody listens, and that no connection takes before the program does."""
    for _ in range(1000):
        port = FIRST + secrets.randbelow(LAST - FIRST)
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError("a thousand ports are taken")
