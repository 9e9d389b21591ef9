"""``nearfar account`` and ``nearfar key``: who may use a server. They work on its job store, running or not."""

from __future__ import annotations

import argparse
import getpass
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.console import who
from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals
    from nearfar.jobs import Account, People
    from nearfar.server_settings import ServerSettings

ROLES = ("look", "submit", "mend", "run")
NAME = "name by which the person logs in"
ACCOUNT_HELP = """\
People who may log in at a server whose settings say accounts = true.

Roles, each of which includes those before it: look sees everything, submit sends stacks and changes its own jobs, mend
mends pictures, run does everything. A password is asked for on the terminal, or read as a line from standard input.
"""
KEY_HELP = """\
Keys for programs, as 'Authorization: Bearer KEY'. A key is shown once, when it is made; the server keeps a digest.

Scopes are the roles of accounts; a key of an account can do no more than the account.
"""


def add_parsers(commands: Commands) -> None:
    """Add both commands."""
    _add_account(_parser(commands, "account", "manage who may log in", ACCOUNT_HELP, run_list))
    _add_key(_parser(commands, "key", "keys for programs, and ending links", KEY_HELP, run_keys))


def _parser(commands: Commands, name: str, short: str, text: str, run: object) -> Commands:
    made = add_command(commands, name, short, text)
    made.set_defaults(run=run)
    return made.add_subparsers(dest="what", required=True, metavar="WHAT")


def _action(commands: Commands, name: str, short: str, run: object) -> argparse.ArgumentParser:
    made = commands.add_parser(name, help=short, description=short.capitalize() + ".", allow_abbrev=False)
    made.add_argument("--data", type=Path, metavar="DIR", help="data folder of the server")
    made.set_defaults(run=run)
    return made


def _add_account(actions: Commands) -> None:
    add = _action(actions, "add", "make an account", run_add)
    add.add_argument("name", metavar="NAME", help=NAME)
    add.add_argument("--role", choices=ROLES, default="submit", help="what it may do (default: submit)")
    add.add_argument(
        "--subject", metavar="SUBJECT", help="log in at the provider as this subject, without a password"
    )
    listed = _action(actions, "list", "list accounts", run_list)
    listed.add_argument("--json", action="store_true", help="for programs")
    change = _action(actions, "change", "change an account; it has to log in again", run_change)
    change.add_argument("name", metavar="NAME", help=NAME)
    change.add_argument("--role", choices=ROLES, help="what it may do")
    change.add_argument("--password", action="store_true", help="ask for a new password")
    change.add_argument("--subject", metavar="SUBJECT", help="the provider's name for this person")
    change.add_argument(
        "--close", dest="closed", action="store_true", default=None, help="stop it from logging in"
    )
    change.add_argument("--open", dest="closed", action="store_false", help="allow it to log in again")
    remove = _action(actions, "remove", "remove an account and its keys; its jobs stay", run_remove)
    remove.add_argument("name", metavar="NAME", help=NAME)


def _add_key(actions: Commands) -> None:
    make = _action(actions, "make", "make a key and show it once", run_make)
    make.add_argument("name", metavar="NAME", help="what it is for")
    make.add_argument(
        "--account", metavar="ACCOUNT", help="account it belongs to (default: the server's own)"
    )
    make.add_argument(
        "--scope", choices=ROLES, action="append", default=[], help="what it may do; may be repeated"
    )
    make.add_argument("--days", type=float, metavar="N", help="days until it expires (default: never)")
    listed = _action(actions, "list", "list keys", run_keys)
    listed.add_argument("--json", action="store_true", help="for programs")
    revoke = _action(actions, "revoke", "revoke a key", run_revoke)
    revoke.add_argument("number", type=int, metavar="NUMBER", help="from the list")
    _action(actions, "end-links", "end all links that fetch a result without a key", run_end_links)


def _open(options: argparse.Namespace) -> tuple[People, ServerSettings]:
    from nearfar.jobs import People
    from nearfar.places import places_of
    from nearfar.runner.opening import open_by
    from nearfar.server_settings import load_server

    settings = load_server({"server": {"data": options.data}})
    places = places_of(settings)
    places.data.mkdir(parents=True, exist_ok=True)
    return People(open_by(settings, places)), settings


def _password() -> str:
    """A new password: asked for twice on a terminal, else a line of standard input. Raises `UsageError`."""
    from nearfar.errors import UsageError

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Password: ")
    if first != getpass.getpass("Once more: "):
        raise UsageError("the two passwords differ; give the same command again")
    return first


def _subject(text: str | None, settings: ServerSettings) -> str | None:
    from nearfar.errors import UsageError

    if text is None:
        return None
    if settings.people.provider is None:
        raise UsageError("--subject: the settings name no provider; set people.provider first")
    return f"{settings.people.provider} {text}"


def run_add(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar account add``."""
    from nearfar.cli.say import say, warn
    from nearfar.jobs import Role

    people, settings = _open(options)
    subject = _subject(options.subject, settings)
    password = _password() if subject is None else None
    made = people.add(options.name, role=Role(options.role), password=password, subject=subject, who=who())
    say(f"{made.name} may log in and {made.role.means}")
    if not settings.server.accounts:
        warn("nobody is asked to log in yet: set accounts = true in [server] of the settings")
    return 0


def run_list(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar account list``."""
    from nearfar.cli.say import say, say_json, table

    people, _ = _open(options)
    found = people.accounts()
    if options.json:
        say_json({"accounts": [_told(account) for account in found]})
        return 0
    rows = [(a.name, a.role, _way(a), "closed" if a.closed else "open", _day(a.created)) for a in found]
    say(*table(("name", "role", "logs in by", "state", "since"), rows))
    return 0


def _told(account: Account) -> dict[str, object]:
    return {
        "name": account.name,
        "role": account.role,
        "by": _way(account),
        "closed": account.closed,
        "created": account.created,
    }


def _way(account: Account) -> str:
    ways = [name for name, has in (("password", account.password), ("provider", account.subject)) if has]
    return " and ".join(ways) or "nothing yet"


def _day(seconds: float | None) -> str:
    return "" if seconds is None else f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d}"


def run_change(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar account change``."""
    from nearfar.cli.say import say
    from nearfar.errors import UsageError
    from nearfar.jobs import Role

    if not (options.role or options.password or options.subject or options.closed is not None):
        raise UsageError("nothing to change; give --role, --password, --subject, --close or --open")
    people, settings = _open(options)
    people.account(options.name)
    made = people.change(
        options.name,
        role=Role(options.role) if options.role else None,
        password=_password() if options.password else None,
        subject=_subject(options.subject, settings),
        closed=options.closed,
        who=who(),
    )
    say(f"{made.name}: {made.role}, logs in by {_way(made)}{', closed' if made.closed else ''}")
    return 0


def run_remove(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar account remove``."""
    from nearfar.cli.say import say

    people, _ = _open(options)
    people.remove(options.name, who=who())
    say(f"{options.name} is removed, with its keys; its jobs stay under that name")
    return 0


def run_make(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar key make``: the key alone on standard output, everything else on standard error."""
    from nearfar.cli.say import say, warn
    from nearfar.errors import UsageError
    from nearfar.jobs import Role

    if options.days is not None and not 0 < options.days <= 36525:
        raise UsageError(
            f"--days {options.days:g}: expected a number above 0, or none for a key without an end"
        )
    people, settings = _open(options)
    scopes = [Role(word) for word in options.scope]
    key, secret = people.make_key(
        account=options.account, name=options.name, scopes=scopes, days=options.days, who=who()
    )
    warn(f"key {key.id} ({key.name}) for {key.account or 'the server itself'}; it is shown only now:")
    say(secret)
    if not settings.server.locked:
        warn("nobody is asked for a key yet: set accounts = true in [server] of the settings")
    return 0


def run_keys(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar key list``."""
    from nearfar.cli.say import say, say_json, table

    people, _ = _open(options)
    found = people.keys()
    if options.json:
        fields = ("id", "name", "account", "scopes", "made_by", "created", "expires", "revoked", "used")
        say_json({"keys": [{f: getattr(k, f) for f in fields} | {"state": state} for k, state in found]})
        return 0
    rows = [
        (str(k.id), k.name, k.account or "", ", ".join(k.scopes), state, _day(k.expires), _day(k.used))
        for k, state in found
    ]
    say(*table(("number", "name", "account", "scopes", "state", "ends", "used"), rows))
    return 0


def run_revoke(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar key revoke``."""
    from nearfar.cli.say import say

    people, _ = _open(options)
    key = people.revoke_key(options.number, who=who())
    say(f"key {key.id} ({key.name}) is no longer valid")
    return 0


def run_end_links(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar key end-links``."""
    from nearfar.cli.say import say

    people, _ = _open(options)
    people.new_secret("links", who=who())
    say("all links that were handed out are no longer valid")
    return 0
