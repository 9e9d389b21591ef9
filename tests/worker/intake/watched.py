"""An inbox in a temporary folder, whose clock the test moves."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from nearfar.intake.arrivals import Found, Look
from nearfar.intake.card.following import Sorting
from nearfar.intake.card.kept_card import CardFiles
from nearfar.intake.digests import Digests
from nearfar.intake.inbox import Inbox
from nearfar.intake.memory import Known, Memory, trace
from nearfar.intake.place import Watched
from nearfar.intake.settling import Patience
from nearfar.intake.state import Entry
from tests.worker.frames.makers import picture, write_tiff
from tests.worker.intake.together import TogetherSorts

QUIET, PATIENCE = 5.0, 120.0


def lay_frames(folder: Path, *names: str, first: int = 0) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    pixels = [picture(height=8, width=8, seed=first + number) for number in range(len(names))]
    return [write_tiff(folder / name, each) for name, each in zip(names, pixels, strict=True)]


class Watching:
    """An inbox in a temporary folder."""

    def __init__(self, tmp_path: Path, **options: Any) -> None:
        self.root = tmp_path / "inbox"
        self.root.mkdir(exist_ok=True)
        self.state = tmp_path / "state"
        self.state.mkdir(exist_ok=True)
        self.cards = CardFiles(self.state / "cards")
        self.now = 0.0
        self.options = options
        self.restart()

    def restart(self) -> None:
        self.memory = Memory.open(self.state / "stacks")
        self.digests = Digests(self.state / "digests")
        watched = self.options.get("watched", [Watched(path=str(self.root))])
        self.inbox = Inbox(
            watched,
            rules=Patience(quiet=QUIET, quiet_unseen=20, patience=PATIENCE),
            memory=self.memory,
            digests=self.digests,
            sorting=Sorting(files=self.cards, sorts=TogetherSorts(self.cards)),
            **{name: value for name, value in self.options.items() if name != "watched"},
        )

    def look(self, after: float = 0.0) -> Look:
        self.now += after
        return self.inbox.look(self.now)

    def settle(self, seconds: float = QUIET) -> dict[str, Found]:
        """What is found after nothing has changed for a while, by path below the inbox."""
        self.look()
        look = self.look(seconds)
        return {os.path.relpath(found.entry.path, self.root): found for found in look.found}

    def take(self, found: Found, job: int = 1) -> Known:
        """Remember a stack as taken."""
        arrival = found.arrival
        assert arrival is not None
        found.known = self.memory.keep(
            Known(
                path=arrival.path,
                source=arrival.source,
                stack=arrival.stack,
                files={name: trace(mark) for name, mark in arrival.files.items()},
                digest="d",
                wishes=arrival.said.said(),
                loose=arrival.loose,
                refused=arrival.refused is not None,
                job=job,
            )
        )
        return found.known


def names_of(found: Found) -> list[str]:
    assert found.arrival is not None, found.entry
    return [Path(path).name for path in found.arrival.contents.frames]


def ignored(entry: Entry) -> dict[str, str]:
    return dict(entry.ignored)
