"""Tell systemd the state of the server: sd_notify(3), a line of text to a socket. Without systemd it does nothing."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


def notify(text: str, *, environment: Mapping[str, str] | None = None) -> bool:
    """Send lines like ``READY=1``; whether anybody listens.

    Parameters
    ----------
    text
        Assignments, one a line.
    environment
        `os.environ` if not given; ``NOTIFY_SOCKET`` names the socket.
    """
    address = (os.environ if environment is None else environment).get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    name = "\0" + address[1:] if address[0] == "@" else address
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            out.settimeout(1.0)
            out.connect(name)
            out.sendall(text.encode())
    except OSError:
        return False
    return True


def watchdog_interval(environment: Mapping[str, str] | None = None) -> float | None:
    """Seconds between two signs of life: half of what systemd waits; None if it does not."""
    found = os.environ if environment is None else environment
    wait, pid = found.get("WATCHDOG_USEC", ""), found.get("WATCHDOG_PID", str(os.getpid()))
    return int(wait) / 2e6 if wait.isdigit() and int(wait) and pid == str(os.getpid()) else None
