"""``nearfar notify``: who is told when a stack is done, failed or waits. It works on the server's job store."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.console import who
from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals
    from nearfar.jobs import Outbox
    from nearfar.server_settings import ServerSettings

HELP = """\
Tell people by e-mail, and programs by webhooks, what happens to an owner's stacks.

Events: done, failed, held (it waits for a decision), disk (space runs short; for the owner '*' alone). Webhooks are signed
as the Standard Webhooks specification says; the secret is shown once, when the target is added. Messages that did not
arrive are tried again for three days. The mail server is set in the table notify of the settings.
"""
EVENTS = ("done", "failed", "held", "disk")


def add_parsers(commands: Commands) -> None:
    """Add the command."""
    made = add_command(commands, "notify", "tell people and programs what happens", HELP)
    made.set_defaults(run=run_list)
    actions = made.add_subparsers(dest="what", required=True, metavar="WHAT")
    add = _action(actions, "add", "add somebody to tell", run_add)
    add.add_argument("channel", choices=("webhook", "mail"), help="for a program, or for a person")
    add.add_argument("address", metavar="ADDRESS", help="https://host/path, or a mailbox")
    add.add_argument(
        "--owner", default="*", metavar="NAME", help="whose jobs to tell about (default: everybody's, '*')"
    )
    add.add_argument(
        "--about",
        action="append",
        choices=EVENTS,
        help="what to tell; may be repeated (default: done, failed and held)",
    )
    _action(actions, "list", "list targets and what they are told about", run_list)
    words = _action(actions, "words", "change subject and text of e-mails to a target", run_words)
    words.add_argument("number", type=int, metavar="NUMBER", help="from the list")
    words.add_argument("--subject", metavar="TEXT", help="with names like {stack} in braces")
    words.add_argument("--text", type=Path, metavar="FILE", help="file with the text")
    _numbered(_action(actions, "remove", "remove a target", run_remove))
    _numbered(_action(actions, "test", "send a message now and print the answer", run_test))
    trail = _action(actions, "trail", "list what was sent, newest first", run_trail)
    trail.add_argument(
        "--target", type=int, metavar="NUMBER", help="only what was sent to this one (default: all)"
    )


def _action(actions: Commands, name: str, short: str, run: object) -> argparse.ArgumentParser:
    made = actions.add_parser(name, help=short, description=short.capitalize() + ".", allow_abbrev=False)
    made.add_argument("--data", type=Path, metavar="DIR", help="data folder of the server")
    made.add_argument("--json", action="store_true", help="for programs")
    made.set_defaults(run=run)
    return made


def _numbered(made: argparse.ArgumentParser) -> None:
    made.add_argument("number", type=int, metavar="NUMBER", help="from the list")


def _open(options: argparse.Namespace) -> tuple[ServerSettings, Outbox]:
    from nearfar.jobs import Outbox
    from nearfar.places import places_of
    from nearfar.runner.opening import open_by
    from nearfar.server_settings import load_server

    settings = load_server({"server": {"data": options.data}})
    return settings, Outbox(open_by(settings, places_of(settings)))


def run_add(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar notify add``."""
    from ipaddress import ip_network

    from nearfar.cli.say import say
    from nearfar.jobs.messages.outbox import USUAL
    from nearfar.runner.messages import mails, webhooks
    from nearfar.runner.messages.addresses import pinned

    settings, outbox = _open(options)
    secret = None
    if options.channel == "webhook":
        pinned(options.address, allowed=tuple(ip_network(each) for each in settings.notify.inside))
        secret = webhooks.new_secret()
    else:
        mails.check_address(options.address)
    made = outbox.add(
        owner=options.owner,
        channel=options.channel,
        address=options.address,
        about=options.about or USUAL,
        secret=secret,
        who=who(),
    )
    if options.json:
        say(json.dumps({"number": made.id, "secret": secret}))
        return 0
    say(f"Target {made.id}: {made.channel} {made.address} about {', '.join(made.events)} of {made.owner}")
    if secret is not None:
        say(f"Its secret, shown this once: {secret}")
    return 0


def run_list(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar notify list``."""
    from nearfar.cli.say import say

    found = _open(options)[1].targets()
    if options.json:
        shown = ("id", "owner", "channel", "address", "events", "subject", "body", "stopped")
        say(json.dumps([{name: getattr(each, name) for name in shown} for each in found]))
        return 0
    for each in found:
        stopped = f"  stopped: {each.stopped}" if each.stopped else ""
        say(
            f"{each.id:4}  {each.owner:12}  {each.channel:8}{each.address}  {', '.join(each.events)}{stopped}"
        )
    if not found:
        say("There are no targets for messages; 'nearfar notify add' adds one")
    return 0


def run_words(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar notify words``."""
    from nearfar.cli.say import say
    from nearfar.runner.messages import wording

    subject, body = wording.check(options.subject), wording.check(_text_of(options.text))
    _open(options)[1].reword(options.number, subject=subject, body=body, who=who())
    say("The usual words are back" if subject is None and body is None else "Changed")
    return 0


def _text_of(path: Path | None) -> str | None:
    """The words in a file; None without one. Raises `InputRefused` if it cannot be read."""
    from nearfar.errors import InputRefused

    try:
        return path.read_text(encoding="utf-8") if path is not None else None
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text in UTF-8"
        raise InputRefused(f"--text {path}: {reason}; give a file with the words of the message") from error


def run_remove(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar notify remove``."""
    from nearfar.cli.say import say

    _open(options)[1].remove(options.number, who=who())
    say(f"Target {options.number} gets no more messages")
    return 0


def run_test(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar notify test``; 4 if it did not arrive."""
    from nearfar.cli.say import say
    from nearfar.runner.messages.sending import Notifier

    settings, outbox = _open(options)
    target = outbox.target(options.number)
    reason = "this is a test: 'nearfar notify test' was given"
    arrived, answer = Notifier(settings, outbox.store).try_now(target, reason)
    say(json.dumps({"arrived": arrived, "answer": answer}) if options.json else answer)
    return 0 if arrived else 4


def run_trail(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar notify trail``."""
    from nearfar.cli.say import say

    for each in _open(options)[1].messages(target=options.target):
        if options.json:
            say(json.dumps({name: getattr(each, name) for name in each.__dataclass_fields__}))
            continue
        when = datetime.fromtimestamp(each.created, UTC).astimezone()
        job = f"job {each.job}" if each.job is not None else ""
        tries = f"{each.tries} {'try' if each.tries == 1 else 'tries'}"
        said = f"to {each.target}: {each.about} {job}, {each.state}, {tries}, {each.answer or ''}"
        say(f"{when:%Y-%m-%d %H:%M:%S}  {each.name}  {said}")
    return 0
