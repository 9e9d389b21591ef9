"""``python -m nearfar_api``: the application on a socket that the process above opened, or on one of its own."""

from __future__ import annotations

import logging
import os
import socket
import sys
from typing import Any

import uvicorn
from fastapi import FastAPI

from nearfar.errors import NearfarError, UsageError
from nearfar.runner.processes import logs
from nearfar.server_settings import ServerSettings, load_server
from nearfar_api.app import create_app

log = logging.getLogger("nearfar_api")

VARIABLE = "NEARFAR_LISTEN_FD"
GRACE = 3
"""Seconds that requests have to end after the signal to stop; the whole stop then takes less than five."""
BACKLOG = 256


class Server(uvicorn.Server):
    """A server that ends event streams as soon as it has to stop, since they would never end by themselves."""

    def __init__(self, config: uvicorn.Config, app: FastAPI) -> None:
        super().__init__(config)
        self._app = app

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop listening, and let requests end."""
        await self._app.state.feed.close()
        await super().shutdown(sockets)


def listener(settings: ServerSettings) -> socket.socket:
    """The socket to listen on.

    Raises
    ------
    UsageError
        The given descriptor is not a socket, or the address is in use or not available.
    """
    given = os.environ.get(VARIABLE)
    if given:
        try:
            return socket.socket(fileno=int(given))
        except (ValueError, OSError) as error:
            raise UsageError(
                f"{VARIABLE}={given}: expected the number of an open socket ({error})"
            ) from error
    host, port = settings.server.host, settings.server.port
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise UsageError(
            f"cannot listen at {host}, port {port}: {error.strerror}; choose another with --host and --port"
        ) from error


def serve(settings: ServerSettings) -> None:
    """Serve until a signal asks to stop."""
    app = create_app(settings)
    options: dict[str, Any] = {
        "access_log": False,
        "log_config": None,
        "server_header": False,
        "timeout_graceful_shutdown": GRACE,
        "proxy_headers": False,
    }
    sock = listener(settings)
    sock.set_inheritable(False)
    log.info("listening at %s", sock.getsockname(), extra={"action": "api.listening"})
    Server(uvicorn.Config(app, **options), app).run(sockets=[sock])


def main() -> int:
    """Read the settings and serve; the exit code."""
    logs.set_up("api")
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
    try:
        serve(load_server())
    except NearfarError as error:
        log.error("%s", error, extra={"action": "api.cannot-start"})
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
