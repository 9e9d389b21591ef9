"""What the watch makes known of its folders: ``state/inbox.json``, read by the API, the status page and ``nearfar why``."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from nearfar.places import Places

State = Literal[
    "arriving", "settling", "waiting", "queued", "duplicate", "refused", "ignored", "done", "moved"
]


@dataclass(kw_only=True)
class Entry:
    """A stack in a watched folder, as it stands."""

    path: str
    """Its folder; of loose frames, the first of them."""
    stack: str
    state: State
    why: str
    seconds: float | None = None
    """Until it is looked at or taken; None if that is not known."""
    frames: int = 0
    expected: int | None = None
    job: int | None = None
    ignored: list[tuple[str, str]] = field(default_factory=list)
    """Names, each with the reason."""
    card: str | None = None
    """Of a card, and of every stack on it: the card's name for programs."""


@dataclass(frozen=True, kw_only=True)
class FolderState:
    """A watched folder, and what is wrong with it."""

    path: str
    problem: str | None = None


@dataclass(frozen=True, kw_only=True)
class InboxState:
    """All of it. If no watch ever ran, nothing was written: ``written`` is 0."""

    written: float = 0.0
    """Seconds since 1970."""
    folders: Sequence[FolderState] = ()
    entries: Sequence[Entry] = ()

    def as_json(self) -> dict[str, Any]:
        """What lies in the file, but for when it was written."""
        return {
            "folders": [_plain(folder) for folder in self.folders],
            "entries": [_plain(entry) for entry in self.entries],
        }


def readable(text: str) -> str:
    """A name or path as any program can take it: bytes that are no UTF-8 are written as their escapes."""
    if text.isascii():
        return text
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _plain(record: Entry | FolderState) -> dict[str, Any]:
    said = {name: readable(v) if isinstance(v, str) else v for name, v in vars(record).items()}
    if isinstance(record, Entry):
        said["ignored"] = [(readable(name), readable(why)) for name, why in record.ignored]
    return said


def state_file(places: Places) -> Path:
    """Where it lies."""
    return places.state / "inbox.json"


def read_state(places: Places) -> InboxState:
    """What the watch wrote last; an empty state if it wrote nothing, or nothing that can be read."""
    try:
        said = json.loads(state_file(places).read_text(encoding="utf-8"))
        return InboxState(
            written=float(said["written"]),
            folders=tuple(FolderState(**folder) for folder in said["folders"]),
            entries=tuple(_entry(entry) for entry in said["entries"]),
        )
    except (OSError, ValueError, TypeError, LookupError):
        return InboxState()


def _entry(said: Mapping[str, Any]) -> Entry:
    return Entry(**{**said, "ignored": [(name, why) for name, why in said["ignored"]]})


class StateWriter:
    """Writes the state if it changed, and now and then to show that the watch is alive."""

    def __init__(self, places: Places, *, every: float = 10.0) -> None:
        self._file = state_file(places)
        self._every = every
        self._text = ""
        self._written = float("-inf")

    def write(self, state: InboxState, *, now: float, wall: float) -> bool:
        """Write if need be; ``now`` is monotonic, ``wall`` seconds since 1970. Raises `OSError`."""
        text = json.dumps(state.as_json())[1:]
        if text == self._text and now - self._written < self._every:
            return False
        # No sync: it is made again every few seconds, and after a power cut nobody relies on it.
        temporary = self._file.with_name(f".{self._file.name}.{os.getpid()}.part")
        temporary.write_text(f'{{"written": {wall}, {text}', encoding="ascii")
        temporary.replace(self._file)
        self._text, self._written = text, now
        return True
