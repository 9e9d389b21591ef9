"""``nearfar doctor``: checks whether a server will work here, and says what to do if not."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals
    from nearfar.runner.doctor.examine import Finding

HELP = """\
Check whether a server will work here, or why a running one does not.

Folders are tested by writing, store and broker by asking, picture files by small samples. Nothing is changed. Each
finding is fine, advice or a problem, with what to do about it. The exit code is 4 if there is a problem.
"""


def add_parsers(commands: Commands) -> None:
    """Add ``doctor`` to the command line."""
    doctor = add_command(commands, "doctor", "check whether a server will work here", HELP)
    doctor.add_argument("--data", type=Path, metavar="DIR", help="data folder of the server")
    doctor.add_argument("--json", action="store_true", help="as JSON")
    doctor.set_defaults(run=run)


def run(options: argparse.Namespace, _signals: Signals) -> int:
    """``nearfar doctor``."""
    from nearfar.cli.say import say, say_json
    from nearfar.runner.doctor.examine import Level

    findings = []
    for finding in findings_of(options):
        findings.append(finding)
        if not options.json:
            say(*told(finding))
    problems = sum(finding.level is Level.PROBLEM for finding in findings)
    if options.json:
        say_json({"problems": problems, "findings": [as_json(finding) for finding in findings]})
    else:
        advices = sum(finding.level is Level.ADVICE for finding in findings)
        say(f"{problems or 'no'} problem{'' if problems == 1 else 's'}, {advices or 'no'} advice")
    return 4 if problems else 0


def findings_of(options: argparse.Namespace) -> Any:
    """Findings as they come; if the settings cannot be read, that is the first, and the rest goes by defaults."""
    import os

    from nearfar.errors import UsageError
    from nearfar.places import places_of
    from nearfar.runner.doctor.examine import Subject, examine, problem
    from nearfar.server_settings import load_server
    from nearfar.settings import settings_file

    file = settings_file(os.environ)
    wanted = {"server": {"data": options.data}}
    try:
        settings = load_server(wanted)
    except UsageError as error:
        yield problem("settings", str(error), "Correct that; the checks below use the defaults.")
        settings, file = load_server(wanted, environment={}, file=Path(os.devnull)), None
    yield from examine(Subject(settings=settings, places=places_of(settings), file=file))


def told(finding: Finding) -> list[str]:
    """A finding in one line, and what to do in a second."""
    lines = [f"{finding.level:7}  {finding.about}: {finding.found}"]
    return lines if finding.remedy is None else [*lines, f"         -> {finding.remedy}"]


def as_json(finding: Finding) -> dict[str, str | None]:
    """A finding for programs."""
    return {
        "about": finding.about,
        "level": str(finding.level),
        "found": finding.found,
        "remedy": finding.remedy,
    }
