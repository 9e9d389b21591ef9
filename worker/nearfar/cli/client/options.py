"""The options of the commands that talk to a server: ``send``, ``jobs``, ``show``, ``fetch``, and orders."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command
from nearfar.errors import UsageError

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals

WHERE = """\
The server is given by --to, by NEARFAR_URL or by client.url in the settings file; by default it is the one that uses this
machine's data folder. Its key comes from NEARFAR_KEY, from a file given with --key-file, or from client.key in the
settings file.
"""
SEND = f"""\
Send the frames of one stack to a server, which merges them.

Frames are only read. If sending is interrupted, the same command continues from there.

{WHERE}"""
FETCH = f"""\
Download the picture of a job and its report.

A file appears under its name only when it is complete; nothing is overwritten. If fetching is interrupted, the same
command continues from there.

{WHERE}"""
STATES = ("waiting", "running", "held", "done", "failed", "cancelled")


def add_parsers(commands: Commands) -> None:
    """Add all of them to the command line."""
    _send(commands)
    _jobs(commands)
    _show(commands)
    _fetch(commands)
    for name, help_ in (
        ("cancel", "cancel jobs"),
        ("hold", "hold jobs: start no more of their units"),
        ("release", "let held jobs continue"),
    ):
        order = _command(commands, name, help_)
        order.add_argument("jobs", nargs="+", type=number, metavar="JOB", help="numbers of the jobs")
        if name != "release":
            order.add_argument("--reason", metavar="TEXT", help="why, for whoever looks at the job")
        order.set_defaults(run=run_order)
    _again(commands)
    server = _command(commands, "server", "show the state of the server, pause it, drain it, open it")
    server.add_argument(
        "wish",
        nargs="?",
        choices=("pause", "drain", "open"),
        help="pause: start nothing new; drain: also hand back units in work; open: resume",
    )
    server.add_argument("--json", action="store_true", help="as JSON")
    server.set_defaults(run=run_server)


def place(text: str) -> Path | str:
    """A file or folder of this machine, or the address of a prefix in a bucket."""
    return text if text.startswith("s3://") else Path(text)


def number(text: str) -> int:
    """The number of a job. Raises `UsageError`."""
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 2**63):
        raise UsageError(f"{text!r} is not the number of a job; 'nearfar jobs' lists them")
    return int(text)


def many(text: str) -> int:
    """How many. Raises `UsageError`."""
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise UsageError(f"--limit {text}: expected a whole number above zero")
    return int(text)


def _command(
    commands: Commands, name: str, help_: str, description: str | None = None
) -> argparse.ArgumentParser:
    parser = add_command(commands, name, help_, description or f"{help_[0].upper()}{help_[1:]}.\n\n{WHERE}")
    where = parser.add_argument_group("which server")
    where.add_argument("--to", metavar="URL", help="address of the server, e.g. http://host:8765")
    where.add_argument("--data", type=Path, metavar="DIR", help="data folder of a server on this machine")
    where.add_argument("--key-file", type=Path, metavar="FILE", help="file that holds the server's key")
    return parser


def _send(commands: Commands) -> None:
    send = _command(commands, "send", "send a stack to a server", SEND)
    send.add_argument(
        "frames",
        nargs="+",
        type=place,
        metavar="FRAME_OR_FOLDER",
        help="the frames of one stack, the folder in which they lie, or s3://BUCKET/PREFIX/ of the server's settings",
    )
    send.add_argument("--stack", metavar="NAME", help="name of the stack (default: that of the folder)")
    send.add_argument(
        "--recipe", metavar="NAME|FILE", help="merge settings: a recipe of the server, or a TOML file"
    )
    send.add_argument("--owner", metavar="NAME", help="owner of the job (default: the server's)")
    send.add_argument("--priority", type=int, metavar="N", help="-9 to 9, higher goes first (default: 0)")
    send.add_argument("--hold", action="store_true", help="do not start before 'nearfar release'")
    send.add_argument(
        "--again", action="store_true", help="merge again a set of frames that was merged before"
    )
    send.add_argument(
        "--by-path", action="store_true", help="the server sees the same files: send only their paths"
    )
    send.add_argument("--follow", action="store_true", help="show progress and wait until the job ends")
    send.add_argument("--json", action="store_true", help="print the job as JSON")
    send.add_argument("--quiet", action="store_true", help="print errors only")
    send.set_defaults(run=run_send)


def _jobs(commands: Commands) -> None:
    jobs = _command(commands, "jobs", "list jobs")
    jobs.add_argument(
        "--state", action="append", choices=STATES, help="only jobs in this state; may be given several times"
    )
    jobs.add_argument("--search", metavar="TEXT", help="only jobs whose stack name contains TEXT")
    jobs.add_argument("--owner", metavar="NAME", help="only jobs of this owner")
    jobs.add_argument(
        "--limit", type=many, default=50, metavar="N", help="list at most N jobs (default: %(default)s)"
    )
    jobs.add_argument("--json", action="store_true", help="as JSON")
    jobs.set_defaults(run=run_jobs)


def _show(commands: Commands) -> None:
    show = _command(commands, "show", "show everything about a job")
    show.add_argument("job", type=number, metavar="JOB", help="number of the job")
    show.add_argument(
        "--follow",
        action="store_true",
        help="show its progress until it ends; exit code 0: done, 4: failed, 130: cancelled",
    )
    show.add_argument("--json", action="store_true", help="as JSON")
    show.set_defaults(run=run_show)


def _fetch(commands: Commands) -> None:
    fetch = _command(commands, "fetch", "download the picture of a job", FETCH)
    fetch.add_argument("job", type=number, metavar="JOB", help="number of the job")
    fetch.add_argument(
        "--out",
        type=Path,
        default=Path(),
        metavar="DIR",
        help="folder to write to, made if it is missing (default: the current one)",
    )
    what = fetch.add_mutually_exclusive_group()
    what.add_argument("--all", action="store_true", help="every file of the result")
    what.add_argument("--picture", action="store_true", help="the picture alone")
    fetch.add_argument("--quiet", action="store_true", help="print errors only")
    fetch.set_defaults(run=run_fetch)


def _again(commands: Commands) -> None:
    again = _command(commands, "again", "run a job again, as it was or with other settings")
    again.add_argument("job", type=number, metavar="JOB", help="number of the job")
    again.add_argument("--recipe", metavar="NAME|FILE", help="other merge settings")
    again.add_argument(
        "--leave-out",
        action="append",
        metavar="FRAME",
        help="a frame to leave out; may be given several times",
    )
    again.add_argument(
        "--use",
        action="append",
        metavar="FRAME",
        help="a frame to use that was left out, for example for its light; may be given several times",
    )
    again.add_argument("--follow", action="store_true", help="show progress and wait until the job ends")
    again.set_defaults(run=run_again)


def run_send(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar send``."""
    from nearfar.cli.client import send

    return send.run(options, signals)


def run_fetch(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar fetch``."""
    from nearfar.cli.client import fetch

    return fetch.run(options, signals)


def run_jobs(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar jobs``."""
    from nearfar.cli.client import jobs

    return jobs.run_jobs(options, signals)


def run_show(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar show``."""
    from nearfar.cli.client import jobs

    return jobs.run_show(options, signals)


def run_order(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar cancel``, ``hold`` and ``release``."""
    from nearfar.cli.client import jobs

    return jobs.run_order(options, signals)


def run_again(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar again``."""
    from nearfar.cli.client import jobs

    return jobs.run_again(options, signals)


def run_server(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar server``."""
    from nearfar.cli.client import jobs

    return jobs.run_server(options, signals)
