"""Checks the surroundings of a server: what is fine, what could be better, what will not work.

Each check is a function from `Subject` to findings; it changes nothing but files of its own that it removes. A check
that fails itself is a problem found, and does not end the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from nearfar.errors import NearfarError
from nearfar.places import Places
from nearfar.server_settings import ServerSettings


class Level(StrEnum):
    """How much a finding matters."""

    OK = "ok"
    ADVICE = "advice"
    """It works, and could work better or more safely."""
    PROBLEM = "problem"
    """The server will not start, or jobs will fail."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing that was looked at."""

    about: str
    level: Level
    found: str
    remedy: str | None = None
    """What to do; there is always one if the level is not `OK`."""


@dataclass(frozen=True, kw_only=True)
class Subject:
    """What is examined."""

    settings: ServerSettings
    places: Places
    file: Path | None = None
    """The settings file that was read."""


Check = Callable[[Subject], Iterable[Finding]]


def fine(about: str, found: str) -> Finding:
    """All is well."""
    return Finding(about=about, level=Level.OK, found=found)


def advice(about: str, found: str, remedy: str) -> Finding:
    """It works, and could work better."""
    return Finding(about=about, level=Level.ADVICE, found=found, remedy=remedy)


def problem(about: str, found: str, remedy: str) -> Finding:
    """It will not work."""
    return Finding(about=about, level=Level.PROBLEM, found=found, remedy=remedy)


def examine(subject: Subject, checks: Iterable[tuple[str, Check]] | None = None) -> Iterator[Finding]:
    """All findings, as they come; ``checks`` are names and functions, all there are if not given."""
    for about, check in all_checks() if checks is None else checks:
        try:
            yield from check(subject)
        except NearfarError as error:
            yield problem(about, str(error), "Do what the message says, then run 'nearfar doctor' again.")
        except OSError as error:
            where = f" ({error.filename})" if error.filename else ""
            yield problem(
                about,
                f"could not be looked at: {error.strerror or error}{where}",
                "Check who may read and write there, then run 'nearfar doctor' again.",
            )


def all_checks() -> tuple[tuple[str, Check], ...]:
    """Every check with its name, in the order in which they help most."""
    from nearfar.runner.doctor import buckets, data, machine, pictures, services, studio

    return (
        ("settings", services.settings_file),
        ("folders", data.folders),
        ("rights", data.rights),
        ("disk", data.disks),
        ("memory", machine.memory),
        ("processors", machine.processors),
        ("open files", machine.open_files),
        ("file events", machine.file_events),
        ("clock", data.clock),
        ("kernel", pictures.kernel),
        ("formats", pictures.formats),
        ("store", services.store),
        ("broker", services.broker),
        ("buckets", buckets.buckets),
        ("studio", studio.studio),
        ("port", services.port),
    )
