"""A watched folder, and one in it as it is being looked at."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from nearfar.intake.digests import Allowance
from nearfar.intake.names import READY
from nearfar.intake.scanning import Folder
from nearfar.intake.settling import Writers
from nearfar.intake.wishes import Wishes


@dataclass(frozen=True, kw_only=True)
class Watched:
    """A folder to watch."""

    path: str
    wishes: Wishes = field(default_factory=Wishes)
    """For stacks below it whose own files do not say otherwise."""
    of_cards: bool = False
    """Whether each folder in it is a card, whatever it looks like."""
    problem: str | None = None
    """Why it may not be watched at all."""


@dataclass(frozen=True, kw_only=True)
class Place:
    """A folder as it is being looked at."""

    root: Watched
    """The watched folder that it lies in, or is."""
    folder: Folder
    settings: tuple[Path, ...]
    """Files with wishes that apply to it, from the watched folder down."""
    share: str | None
    """Why writers to it cannot be seen from this machine; None if they can."""
    now: float
    """Seconds of a monotonic clock."""
    writers: Writers
    """Who has files open for writing, as seen after the scan, once for all folders."""
    reading: Allowance
    """How long files may be read."""

    @property
    def ready(self) -> bool:
        """Whether somebody says that it is complete."""
        return READY in self.folder.ours
