"""``nearfar backup`` and ``nearfar restore``: what a server knows, copied while it runs, and brought back."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals

BACKUP_HELP = """\
Copy what a server knows into a new folder: its jobs, what became of the stacks in its inbox, its settings file.

The server may keep running. Frames, uploads and results are files like any other and are not in the copy.
A PostgreSQL store is copied by pg_dump.
"""
RESTORE_HELP = """\
Make a server's job store from a copy. Jobs that were in work when the copy was made wait again.

No server may run on the data folder. A store that is there is only replaced with --replace, and then kept under
another name. The same goes for the settings file.
"""


def add_parsers(commands: Commands) -> None:
    """Add both commands."""
    backup = _parser(commands, "backup", "back up what a server knows, also while it runs", BACKUP_HELP)
    backup.add_argument("target", type=Path, metavar="TARGET", help="the folder to create")
    backup.set_defaults(run=run_backup)
    restore = _parser(commands, "restore", "restore what 'nearfar backup' copied", RESTORE_HELP)
    restore.add_argument("copy", type=Path, metavar="COPY", help="the folder that 'nearfar backup' made")
    restore.add_argument(
        "--replace", action="store_true", help="replace what is there; it is kept under another name"
    )
    restore.set_defaults(run=run_restore)


def _parser(commands: Commands, name: str, short: str, text: str) -> argparse.ArgumentParser:
    made = add_command(commands, name, short, text)
    made.add_argument("--data", type=Path, metavar="DIR", help="data folder of the server")
    return made


def run_backup(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar backup``."""
    from nearfar.cli.say import say
    from nearfar.places import places_of
    from nearfar.runner import copies
    from nearfar.server_settings import load_server
    from nearfar.settings import format_size, settings_file

    settings = load_server({"server": {"data": options.data}})
    copied = copies.make(places_of(settings), settings_file(os.environ), options.target)
    size = format_size(sum(copied.files.values()))
    say(
        f"{copied.folder}: {', '.join(sorted(copied.files))}, {size}; 'nearfar restore {copied.folder}' brings it back"
    )
    return 0


def run_restore(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar restore``."""
    from nearfar.cli.say import say
    from nearfar.places import places_of
    from nearfar.runner import copies
    from nearfar.server_settings import load_server
    from nearfar.settings import own_settings_file, settings_file

    copied = copies.check(options.copy)
    kept = options.copy / copies.SETTINGS
    known = kept if copies.SETTINGS in copied.files else None
    used = settings_file(os.environ)
    settings = load_server({"server": {"data": options.data}}, file=used or known)
    aside = copies.bring_back(copied, places_of(settings), replace=options.replace)
    say(f"the job store of {settings.server.data} is as it was on {copied.made}")
    say(*(f"kept aside: {what}" for what in aside))
    if known is not None:
        same = used is not None and used.is_file() and used.read_bytes() == known.read_bytes()
        own = own_settings_file(os.environ)
        say(
            *(
                [f"settings: {used} is the same"]
                if same
                else _settings_back(known, own, replace=options.replace)
            )
        )
    return 0


def _settings_back(known: Path, own: Path, *, replace: bool) -> list[str]:
    """Bring the settings file back if there is none, or the old one may be put aside; what to say of it."""
    from nearfar.runner import copies

    if not own.exists():
        own.parent.mkdir(parents=True, exist_ok=True)
        copies.put(known, own)
        return [f"settings: {own}"]
    if not replace:
        return [f"settings: {own} differs from {known} and is left as it is"]
    aside = copies.put_aside(own)
    copies.put(known, own)
    return [f"settings: {own}", f"kept aside: {aside}"]
