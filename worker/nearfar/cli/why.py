"""``nearfar why``: why a file or folder is, or is not, on its way to becoming a picture."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals
    from nearfar.runner.watching.reasons import Reasons

HELP = """\
Say why a file or folder in a watched folder, or a folder in object storage, is, or is not, on its way to becoming a
picture: the rule that holds for it, how long it still takes, what is passed over, and the job that it became. If no
server runs, the rules are gone through once, as a server would. Nothing is changed.
"""


def add_parsers(commands: Commands) -> None:
    """Add ``why`` to the command line."""
    why = add_command(commands, "why", "say why a file or folder is not merged yet", HELP)
    why.add_argument(
        "path",
        metavar="PATH",
        help="a file or folder in the inbox or another watched folder, or s3://BUCKET/FOLDER/",
    )
    why.add_argument("--data", type=Path, metavar="DIR", help="data folder of the server")
    why.add_argument("--json", action="store_true", help="as JSON")
    why.set_defaults(run=run)


def run(options: argparse.Namespace, _signals: Signals | None = None) -> int:
    """``nearfar why``; 0 whatever the answer is."""
    from nearfar.cli.say import say, say_json
    from nearfar.runner.watching.reasons import reasons, reasons_of_address
    from nearfar.server_settings import load_server

    settings = load_server({"server": {"data": options.data}})
    if options.path.startswith("s3://"):
        found = reasons_of_address(options.path, settings)
    else:
        found = reasons(Path(options.path), settings)
    if options.json:
        say_json(found.as_json())
    else:
        say(*lines(found))
    return 0


def lines(found: Reasons) -> Iterator[str]:
    """The answer for a person."""
    from nearfar.cli.say import together
    from nearfar.runner.objects.reasons import in_words

    yield found.path
    yield f"  {found.rule}"
    if found.file:
        yield f"  {found.file}"
    if found.problem:
        yield f"  The watched folder {found.watched}: {found.problem}"
    entry = found.entry
    if entry is not None:
        yield f"  Stack {entry.stack}, {entry.state}: {entry.why}"
        if entry.seconds:
            yield f"  About {entry.seconds:.0f} s to go if nothing changes."
        of = f" of {entry.expected} expected" if entry.expected else ""
        yield f"  Frames: {entry.frames}{of}"
        if entry.ignored:
            yield f"  Passed over: {len(entry.ignored)}"
            yield from (f"    {line}" for line in together(sorted(entry.ignored)))
    if found.job is not None:
        reason = f": {found.job['reason']}" if found.job["reason"] else ""
        yield f"  Job {found.job['id']} is {found.job['state']}{reason}"
        if found.job["result"]:
            yield f"  Result: {found.job['result']}"
    for each in found.carried:
        yield f"  {in_words(each)}"
    if not found.server and found.watched:
        yield "  No server runs for this data folder; this is what one would do. Start it with: nearfar serve"
