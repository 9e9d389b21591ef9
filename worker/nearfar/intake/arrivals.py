"""What a look at the watched folders finds: stacks on their way, and arrivals, which are complete. Plain records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from nearfar.intake.card.following import Ready
from nearfar.intake.following import Contents
from nearfar.intake.memory import Known
from nearfar.intake.place import Place
from nearfar.intake.settling import Mark
from nearfar.intake.state import Entry, FolderState
from nearfar.intake.wishes import Wishes


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """A stack that is complete, or can never become a picture (``refused``)."""

    path: str
    """Of the stack in the list of what lies in the watched folders; the folder's, unless it is from a card."""
    source: str
    """Path of the folder that holds the files."""
    stack: str
    """The stack's name."""
    loose: bool
    """Whether it is one of several stacks in its folder, a card."""
    contents: Contents
    files: Mapping[str, Mark]
    """By name within the folder, all its pictures, whether they are frames of the stack or not."""
    said: Wishes
    """From the files in the folder and above it."""
    wishes: Wishes
    """The same, completed with those of the watched folder."""
    faults: Mapping[str, str]
    """By name, why frames cannot be read."""
    refused: str | None
    """The same in one sentence; None if there are no faults."""
    aside: Mapping[str, str] = field(default_factory=dict)
    """By path, why files that were taken with its frames are none of it."""

    def name(self, path: str) -> str:
        """A file's path within the folder."""
        return path.removeprefix(self.source.rstrip("/") + "/")


@dataclass(kw_only=True)
class Found:
    """A stack, or a card, that was seen."""

    entry: Entry
    """How it stands, for people."""
    arrival: Arrival | None = None
    """If it is complete and not taken yet."""
    known: Known | None = None
    """If it was taken before and nothing in it is new."""
    left: int = 0
    """How many of the files that were taken are still there."""


@dataclass(frozen=True, kw_only=True)
class Look:
    """Everything that one look at all watched folders found."""

    folders: tuple[FolderState, ...]
    found: tuple[Found, ...]
    hurry: bool
    """Whether files remain to be read: look again at once."""


def from_card(place: Place, ready: Ready, said: Wishes) -> Arrival:
    """The arrival of a stack that was sorted out of a card."""
    folder = place.folder
    beside = dict.fromkeys((*ready.companions, *ready.aside))
    paths = {name: str(Path(folder.path, name)) for name in (*ready.frames, *beside)}
    wishes = said.over(place.root.wishes)
    if wishes.reference not in {Path(name).name for name in ready.frames}:
        wishes = replace(wishes, reference=None)  # it is that of another stack of the card
    return Arrival(
        path=ready.entry.path,
        source=folder.path,
        stack=ready.entry.stack,
        loose=True,
        contents=Contents(
            frames=tuple(paths[name] for name in ready.frames),
            headers={},
            digests={paths[name]: digest for name, digest in ready.digests.items()},
            passed_over=(),
            companions=tuple(paths[name] for name in beside),
        ),
        files={name: folder.frames[name] for name in paths},
        said=said,
        wishes=wishes,
        faults={},
        refused=None,
        aside={paths[name]: why for name, why in ready.aside.items()},
    )
