"""What the server keeps of a card in ``state/cards``: how it was sorted, and what a person decided about it.

Of each card ``ID.sorted.json`` is written by the process that sorted it, ``ID.json`` by whoever decides; both are written
whole. ``ID.json`` is a file of decisions as ``nearfar sort --decisions`` takes it. Small pictures lie in a folder ``ID``.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import UsageError
from nearfar.intake.card.decisions import apply, check
from nearfar.intake.card.sorted_card import SortedCard, as_json, from_json
from nearfar.places import Places

Trace = tuple[int, int, int]
"""Inode, size, time of change of contents in nanoseconds."""
ID = re.compile(r"[0-9a-f]{16}")


@dataclass(frozen=True, kw_only=True)
class Kept:
    """A card as it was sorted, before any decision."""

    path: str
    """Its folder."""
    files: Mapping[str, Trace]
    """All files that were looked at, by their paths within the folder."""
    card: SortedCard
    small: Mapping[str, str]
    """Names of small pictures, by the frame's path."""


@dataclass(frozen=True, kw_only=True)
class Decided:
    """The decisions of a person; ``gone``: how many of them may be acted on."""

    decisions: tuple[dict[str, Any], ...] = ()
    gone: int = 0

    @property
    def go(self) -> bool:
        """Whether all of them may be acted on."""
        return self.gone >= len(self.decisions)


class CardFiles:
    """The folder ``state/cards``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def sorted_file(self, card: str) -> Path:
        """How a card was sorted."""
        return self.folder / f"{card}.sorted.json"

    def decisions_file(self, card: str) -> Path:
        """What was decided about it."""
        return self.folder / f"{card}.json"

    def small_file(self, card: str, name: str) -> Path:
        """A small picture."""
        return self.folder / card / f"{name}.jpg"

    def all(self) -> list[str]:
        """Cards that were sorted."""
        try:
            names = [path.name.removesuffix(".sorted.json") for path in self.folder.glob("*.sorted.json")]
        except OSError:
            return []
        return sorted(name for name in names if ID.fullmatch(name))

    def read(self, card: str) -> Kept | None:
        """How a card was sorted; None if it was not, or the file cannot be read."""
        try:
            said = json.loads(self.sorted_file(card).read_text(encoding="utf-8"))
            return Kept(
                path=said["path"],
                files={name: (t[0], t[1], t[2]) for name, t in said["files"].items()},
                card=from_json(said["card"]),
                small=said["small"],
            )
        except (OSError, ValueError, TypeError, LookupError):
            return None

    def write(self, card: str, kept: Kept) -> None:
        """Store how a card was sorted. Raises `OSError`."""
        said = {
            "path": kept.path,
            "files": dict(kept.files),
            "card": {**as_json(kept.card), "order": [str(path) for path in kept.card.order]},
            "small": dict(kept.small),
        }
        _write(self.sorted_file(card), said)

    def decided(self, card: str) -> Decided:
        """What was decided about a card.

        Raises
        ------
        UsageError
            If the file is there and says something else; decisions are never passed over in silence.
        """
        file = self.decisions_file(card)
        try:
            said = json.loads(file.read_text(encoding="utf-8"))
            found = tuple(check(entry, k) for k, entry in enumerate(said["decisions"], 1))
            return Decided(decisions=found, gone=int(said.get("gone", 0)))
        except FileNotFoundError:
            return Decided()
        except (OSError, ValueError, TypeError, LookupError, AttributeError) as error:
            raise UsageError(
                f"{file}: the decisions cannot be read ({error}); correct the file, or remove it to decide again"
            ) from error

    def decide(self, card: str, path: str, decided: Decided) -> None:
        """Store what was decided. Raises `OSError`."""
        said = {"path": path, "decisions": list(decided.decisions), "gone": decided.gone}
        _write(self.decisions_file(card), said, durable=True)

    @contextmanager
    def deciding(self) -> Iterator[None]:
        """A lock on a card's decisions, across all processes."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with open(self.folder / ".lock", "ab") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield


def card_files(places: Places) -> CardFiles:
    """What a server keeps of cards."""
    return CardFiles(places.state / "cards")


def _write(file: Path, said: Mapping[str, Any], *, durable: bool = False) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f".{file.name}.{os.getpid()}.part")
    with open(part, "w", encoding="ascii") as writing:
        json.dump(said, writing)
        writing.flush()
        if durable:
            os.fsync(writing.fileno())
    part.replace(file)


def decide_all(card: SortedCard, decisions: Sequence[Mapping[str, Any]]) -> tuple[SortedCard, list[str]]:
    """The card with all decisions that still make sense, and in words why others do not: frames come and go."""
    troubles = []
    for number, entry in enumerate(decisions, 1):
        try:
            card = apply(card, [entry])
        except UsageError as error:
            troubles.append(str(error).replace("decision 1 ", f"decision {number} ", 1))
    return card, troubles
