"""``nearfar serve`` and ``nearfar worker``: the server, and further workers for one."""

from __future__ import annotations

import argparse
import os
import signal
import threading
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nearfar.cli import Commands, Signals
    from nearfar.places import Places
    from nearfar.server_settings import ServerSettings

SERVE_HELP = """\
Run the merge server: watch the inbox, take jobs over HTTP, merge them, hand over the pictures.

DIR holds everything: put each stack into a folder of its own in DIR/inbox, and collect it from DIR/results. Frames are
only read. The server goes on where it was after a crash, a power cut or a stop.
"""
WORKER_HELP = """\
Add workers to a server: in another process, or on another machine that has the same data folder and uses the same job
store (PostgreSQL) and broker (Redis).
"""


def add_parsers(commands: Commands) -> None:
    """Add both commands."""
    serve = _parser(commands, "serve", "run the merge server", SERVE_HELP)
    serve.add_argument("--host", metavar="H", help="address to listen at (default: 127.0.0.1)")
    serve.add_argument("--port", metavar="P", help="port to listen at (default: 8765); 0 takes a free one")
    serve.set_defaults(run=run_serve)
    worker = _parser(commands, "worker", "add workers to a server", WORKER_HELP)
    worker.set_defaults(run=run_worker)


def _parser(commands: Commands, name: str, short: str, text: str) -> argparse.ArgumentParser:
    made = commands.add_parser(
        name,
        help=short,
        description=text,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    made.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the server (default: nearfar in the home folder)"
    )
    made.add_argument("--slots", metavar="N", help="units at work at once (default: one for four threads)")
    made.add_argument(
        "--memory", metavar="SIZE", help="memory of all units together (default: half of what is free)"
    )
    made.add_argument(
        "--threads", metavar="N", help="threads of all units together (default: all processors)"
    )
    return made


def run_serve(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar serve``."""
    from nearfar.cli_say import say
    from nearfar.runner import supervise

    settings, places = _prepare(options)
    with supervise.lock(places), supervise.bind(settings.server.host, settings.server.port) as out:
        port = out.getsockname()[1]
        url = supervise.write_address(places, settings.server.host, port, settings.server.path)
        say(f"Nearfar is at {url}", f"Put stacks into {places.inbox}, collect pictures from {places.results}")
        environment = {"NEARFAR_LISTEN_FD": str(out.fileno())}
        _run(settings, places, list(supervise.MODULES), environment, {"api": out.fileno()}, signals)
        (places.state / "address.json").unlink(missing_ok=True)
    return 0


def run_worker(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar worker``."""
    from nearfar.cli_say import say

    settings, places = _prepare(options)
    say(f"Working for the server of {places.data}")
    _run(settings, places, ["keep", "work"], {}, {}, signals)
    return 0


def _prepare(options: argparse.Namespace) -> tuple[ServerSettings, Places]:
    """Settings and folders; all that can be wrong with either is told here, before any process starts."""
    from nearfar.places import places_of
    from nearfar.runner import logs
    from nearfar.server_settings import load_server

    given = {
        "data": options.data,
        "host": getattr(options, "host", None),
        "port": getattr(options, "port", None),
    }
    worker = {name: getattr(options, name) for name in ("slots", "memory", "threads")}
    settings = load_server({"server": given, "worker": worker})
    places = places_of(settings)
    places.make()
    logs.set_up("server")
    return settings, places


def _run(
    settings: ServerSettings,
    places: Places,
    names: list[str],
    environment: dict[str, str],
    fds: dict[str, int],
    signals: Signals,
) -> None:
    from nearfar.runner import supervise
    from nearfar.server_settings import to_environment

    stop = threading.Event()
    signals.ask = lambda reason: stop.set()
    if (
        signal.getsignal(signal.SIGHUP) is signal.SIG_DFL
    ):  # not under nohup: a terminal that is closed stops in order
        signal.signal(signal.SIGHUP, lambda *_: stop.set())
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("NEARFAR_SERVER_")}
    given = {**inherited, **to_environment(settings), **environment}
    supervise.Supervisor(supervise.children(names, given, fds), places, told=stop.is_set).run()
