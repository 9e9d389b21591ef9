"""``nearfar serve`` and ``nearfar worker``: the server, and further workers for one."""

from __future__ import annotations

import argparse
import logging
import os
import shlex
import signal
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals
    from nearfar.places import Places
    from nearfar.server_settings import ServerSettings

log = logging.getLogger(__name__)
SERVE_HELP = """\
Run the merge server: watch the inbox, take jobs over HTTP, merge them, hand over the pictures.

DIR holds everything: put each stack into a folder of its own in DIR/inbox, and collect it from DIR/results. Frames are
only read. After a crash, a power cut or a stop the server continues where it was.
"""
WORKER_HELP = """\
Add workers to a server: in another process, or on another machine that sees the same data folder under the same path and
uses the same job store (PostgreSQL) and broker (Redis). With --server-settings those three come from the server's settings
file; memory, threads, slots and scratch are this machine's own.
"""


PARTS = ("api", "watch", "keep", "work", "mend")
"""What a server consists of."""


def add_parsers(commands: Commands) -> None:
    """Add both commands."""
    serve = _parser(commands, "serve", "run the merge server", SERVE_HELP)
    serve.add_argument("--host", metavar="H", help="address to listen on (default: 127.0.0.1)")
    serve.add_argument("--port", metavar="P", help="port to listen on (default: 8765); 0 takes a free one")
    serve.add_argument(
        "--only",
        action="append",
        choices=PARTS,
        help="run only this part of the server, e.g. in a container of its own; may be repeated",
    )
    serve.set_defaults(run=run_serve)
    worker = _parser(commands, "worker", "add workers to a server", WORKER_HELP)
    worker.add_argument(
        "--server-settings",
        type=Path,
        metavar="FILE",
        help="the server's settings file, e.g. in the shared folder",
    )
    worker.add_argument(
        "--scratch",
        metavar="DIR",
        help="folder on a fast local disk for decoded frames (default: in the data folder; with --server-settings, in "
        "~/.cache)",
    )
    worker.set_defaults(run=run_worker)


def _parser(commands: Commands, name: str, short: str, text: str) -> argparse.ArgumentParser:
    made = add_command(commands, name, short, text)
    made.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="data folder of the server (default: nearfar in the home folder)",
    )
    made.add_argument("--slots", metavar="N", help="units at work at once (default: one per four threads)")
    made.add_argument(
        "--memory", metavar="SIZE", help="memory of all units together (default: half of what is free)"
    )
    made.add_argument(
        "--threads", metavar="N", help="threads of all units together (default: all processors)"
    )
    return made


def run_serve(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar serve``."""
    from nearfar.runner.processes import supervise

    settings, places = _prepare(options)
    if options.only:
        with ExitStack() as locks:
            for name in sorted(set(options.only)):
                locks.enter_context(supervise.lock(places, f"server-{name}.lock"))
            names = [name for name in PARTS if name in options.only]
            _serve(settings, places, names, signals, whole=False)
    else:
        with supervise.lock(places):
            _serve(settings, places, list(supervise.MODULES), signals, whole=True)
    return 0


def _serve(
    settings: ServerSettings, places: Places, names: list[str], signals: Signals, *, whole: bool
) -> None:
    from nearfar.cli.say import say
    from nearfar.runner.processes import supervise

    if not whole and "api" not in names:
        say(f"Running {', '.join(names)} for the server of {places.data}")
        _run(settings, places, names, {}, {}, signals, written=False)
        return
    with supervise.bind(settings.server.host, settings.server.port) as out:
        port = out.getsockname()[1]
        url = supervise.write_address(places, settings.server.host, port, settings.server.path)
        say(f"Nearfar is at {url}", f"Put stacks into {places.inbox}, collect pictures from {places.results}")
        if nobody_may_enter(settings, places):
            say(
                "Nobody can log in yet: accounts = true, and there is none. Make the first one on this machine:",
                f"    nearfar account add NAME --role run --data {shlex.quote(str(places.data))}",
            )
        environment = {"NEARFAR_LISTEN_FD": str(out.fileno())}
        _run(settings, places, names, environment, {"api": out.fileno()}, signals)
        (places.state / "address.json").unlink(missing_ok=True)


def nobody_may_enter(settings: ServerSettings, places: Places) -> bool:
    """Whether people are to log in and there is no account, nor anybody else who vouches for them."""
    if not settings.server.accounts or settings.people.provider is not None:
        return False
    from nearfar.errors import StoreError
    from nearfar.jobs import People
    from nearfar.runner.opening import open_by

    try:
        store = open_by(settings, places)
    except StoreError:  # the processes tell of it, and wait for it
        return False
    try:
        return not People(store).accounts()
    except StoreError:
        return False
    finally:
        store.close()


def run_worker(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar worker``."""
    from nearfar.cli.say import say
    from nearfar.runner.joining import check_there, join
    from nearfar.runner.processes.role import HELPER, ROLE
    from nearfar.server_settings import load_server

    given = _given(options)
    file = options.server_settings
    settings, places = _ready(load_server(given) if file is None else join(file, given))
    check_there(places)
    places.make_own()
    say(f"Working for the server of {places.data}")
    _run(settings, places, ["keep", "work"], {ROLE: HELPER}, {}, signals, written=False)
    return 0


def _given(options: argparse.Namespace) -> dict[str, dict[str, object]]:
    """What the command line says, by table and name."""
    server = {name: getattr(options, name, None) for name in ("data", "host", "port")}
    worker = {name: getattr(options, name, None) for name in ("slots", "memory", "threads", "scratch")}
    return {"server": server, "worker": worker}


def _prepare(options: argparse.Namespace) -> tuple[ServerSettings, Places]:
    """Settings and folders; all that can be wrong with either is told here, before any process starts."""
    from nearfar.server_settings import load_server

    settings, places = _ready(load_server(_given(options)))
    places.make()
    return settings, places


def _ready(settings: ServerSettings) -> tuple[ServerSettings, Places]:
    from nearfar.places import places_of
    from nearfar.runner.processes import logs
    from nearfar.server_settings import unknown_variables

    logs.set_up("server")
    for text in unknown_variables(os.environ):
        log.warning(text, extra={"action": "settings.unknown"})
    return settings, places_of(settings)


def _run(
    settings: ServerSettings,
    places: Places,
    names: list[str],
    environment: dict[str, str],
    fds: dict[str, int],
    signals: Signals,
    *,
    written: bool = True,
) -> None:
    from nearfar.runner.processes import supervise
    from nearfar.server_settings import to_environment

    stop = threading.Event()
    signals.ask(lambda _reason: stop.set())
    # not under nohup: a terminal that is closed stops in order
    if signal.getsignal(signal.SIGHUP) is signal.SIG_DFL:
        signal.signal(signal.SIGHUP, lambda *_: stop.set())
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("NEARFAR_SERVER_")}
    given = {**inherited, **to_environment(settings), **environment}
    children = supervise.children(names, given, fds)
    supervise.Supervisor(children, places, told=stop.is_set, written=written).run()
