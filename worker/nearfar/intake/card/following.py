"""Follows one card from its first file until all its stacks are taken: settling, sorting, decisions, what to offer.

Pictures are never looked at here: a process of its own sorts, and leaves what it found in ``state/cards``.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from nearfar.errors import UsageError
from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import CardFiles, Decided, Kept, Trace, decide_all
from nearfar.intake.card.sorted_card import SortedCard
from nearfar.intake.card.stacks import Offer, frames_of, offers
from nearfar.intake.digests import Allowance, Digests
from nearfar.intake.following import Follower, Processes, with_end
from nearfar.intake.memory import Known
from nearfar.intake.place import Place
from nearfar.intake.scanning import Folder
from nearfar.intake.settling import Mark, Patience, Stage, Verdict
from nearfar.intake.state import Entry

GIVEN_UP = "cannot be sorted"
"""How the words for a card begin that is not tried again before one of its files changes."""


class Sorts(Protocol):
    """Sorts cards in another process."""

    def ask(self, card: str, folder: str, files: Mapping[str, Trace]) -> str:
        """Have a card sorted, if that is not under way; how it stands, in words."""


@dataclass(frozen=True, kw_only=True)
class Sorting:
    """What all cards share. Without ``sorts`` no card is sorted that was not sorted before."""

    files: CardFiles
    sorts: Sorts | None


@dataclass(frozen=True, kw_only=True)
class Ready:
    """A stack of a card that may be taken: its frames in order, and what goes where they go; paths within the card."""

    entry: Entry
    frames: tuple[str, ...]
    companions: tuple[str, ...]
    aside: Mapping[str, str]
    """Files that were taken with it and are no frames of it, each with the reason, in order."""
    digests: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A card at one moment: how it stands, stacks that were taken, stacks that wait, stacks to take."""

    entry: Entry | None
    taken: Sequence[tuple[Entry, Known]] = ()
    waiting: Sequence[Entry] = ()
    ready: Sequence[Ready] = ()
    hurry: bool = False


@dataclass(kw_only=True)
class _Read:
    """What was read of a card's files, and the stamps that they had."""

    stamps: tuple[object, object] = (None, None)
    kept: Kept | None = None
    decided: Decided = field(default_factory=Decided)
    card: SortedCard | None = None
    troubles: Sequence[str] = ()


class CardFollower:
    """Follows one card that is arriving."""

    def __init__(
        self, sorting: Sorting, rules: Patience, processes: Processes, digests: Digests | None
    ) -> None:
        self._sorting = sorting
        self._digests = digests
        self._rules = rules
        self._processes = processes
        self._follower: Follower | None = None
        self._read = _Read()

    def look(self, place: Place, *, name: str, known: Sequence[Known], expected: int | None) -> Seen:
        """See how far it has come.

        Parameters
        ----------
        place
            The card's folder.
        name
            For people.
        known
            Stacks of it that were taken before.
        expected
            Number of frames to wait for.
        """
        folder = place.folder
        card = card_id(folder.path)
        entry = Entry(
            path=folder.path, stack=name or Path(folder.path).name, state="arriving", why="", card=card
        )
        entry.frames, entry.expected, entry.ignored = len(folder.frames), expected, list(folder.ignored)
        taken = [_taken(folder, k, card) for k in known if k.job is not None]
        if not (folder.frames or folder.temporary):
            self._follower = None
            entry.state, entry.why = "ignored", "there is no frame in it"
            shown = (folder.ignored and not folder.parts) or (folder.parts and not known)
            return Seen(entry=entry if shown else None, taken=taken)
        try:
            self._refresh(card)
        except UsageError as error:
            entry.state, entry.why = "waiting", str(error)
            return Seen(entry=entry, taken=taken)
        files = _traces(folder)
        if folder.temporary or not self._covers(files):
            verdict = self._follow().look(place, expected=expected)
            self._settle(verdict, folder, entry, files)
            return Seen(entry=entry, taken=taken)
        self._follower = None
        return self._sorted(place, entry, name, known, taken)

    def _covers(self, files: Mapping[str, Trace]) -> bool:
        """Whether all of this was sorted; files that went away since change nothing about the others."""
        kept = self._read.kept
        return kept is not None and all(kept.files.get(name) == trace for name, trace in files.items())

    def _follow(self) -> Follower:
        self._follower = self._follower or Follower(self._rules, self._processes)
        return self._follower

    def _settle(self, verdict: Verdict, folder: Folder, entry: Entry, files: Mapping[str, Trace]) -> None:
        waited = self._sorting.sorts is not None and len(verdict.waits_for) > 0
        entry.why, entry.seconds = with_end(verdict) if waited else verdict.why, verdict.seconds
        if verdict.faults and verdict.stage is Stage.ARRIVING:
            entry.why += f"; then the card is sorted without {'it' if len(verdict.faults) == 1 else 'them'}"
        if verdict.stage is Stage.ARRIVING:
            return
        entry.state = "settling"
        if verdict.stage is not Stage.SETTLING:
            sorts = self._sorting.sorts
            entry.seconds = None
            entry.why = (
                sorts.ask(str(entry.card), folder.path, files)
                if sorts is not None
                else "it is complete, and sorted into stacks by a server"
            )
            if entry.why.startswith(GIVEN_UP):
                entry.state = "refused"

    def _refresh(self, card: str) -> None:
        """Read what was kept, if it changed. Raises `UsageError`."""
        files = self._sorting.files
        stamps = _stamp(files.sorted_file(card)), _stamp(files.decisions_file(card))
        if stamps == self._read.stamps:
            return
        kept = self._read.kept if stamps[0] == self._read.stamps[0] else files.read(card)
        decided = files.decided(card)
        self._read = _Read(stamps=stamps, kept=kept, decided=decided)
        if kept is not None:
            self._read.card, self._read.troubles = decide_all(kept.card, decided.decisions)

    def _sorted(
        self,
        place: Place,
        entry: Entry,
        name: str,
        known: Sequence[Known],
        taken: Sequence[tuple[Entry, Known]],
    ) -> Seen:
        folder, digests, card = place.folder, self._digests, self._read.card
        assert card is not None  # noqa: S101 - it covers the files
        waiting: list[Entry] = []
        ready: list[Ready] = []
        hurry = False
        for offer in offers(card, folder, known, name=name, go=self._read.decided.go):
            told = Entry(
                path=offer.path, stack=offer.stack, state="waiting", why=offer.why or "", card=entry.card
            )
            told.frames = len(offer.frames)
            if offer.why is not None:
                waiting.append(told)
                continue
            told.state, told.why = "settling", "its frames are to be read"
            found = _read_digests(offer, folder, digests, place.reading) if digests is not None else None
            if isinstance(found, dict):
                ready.append(_ready(offer, told, found))
            else:
                waiting.append(told)
                hurry |= found is not None
        _tell(entry, card, taken, waiting, ready, self._read.troubles)
        _tell_aside(card, folder, taken)
        present = {str(Path(folder.path, name)) for name in folder.frames}
        entry.ignored += [
            (os.path.relpath(e.path, folder.path), e.why) for e in card.left_out if str(e.path) in present
        ]
        return Seen(entry=entry, taken=taken, waiting=waiting, ready=ready, hurry=hurry)


def _stamp(file: Path) -> object:
    try:
        status = file.stat()
    except OSError:
        return None
    return status.st_ino, status.st_mtime_ns, status.st_size


def _traces(folder: Folder) -> dict[str, Trace]:
    everything = folder.side_cars | folder.frames
    return {name: (mark.inode, mark.size, mark.mtime_ns) for name, mark in everything.items()}


def _taken(folder: Folder, known: Known, card: str) -> tuple[Entry, Known]:
    """A stack that was taken, with as many files as are left of it."""
    entry = Entry(path=known.path, stack=known.stack, state="arriving", why="", card=card)
    frames = folder.frames
    entry.frames = sum(name in frames and known.has(name, frames[name]) for name in frames_of(known))
    return entry, known


def _tell(
    entry: Entry,
    card: SortedCard,
    taken: Sequence[object],
    waiting: Sequence[Entry],
    ready: Sequence[object],
    troubles: Sequence[str],
) -> None:
    """The state of a card that was sorted."""
    asked = sum(other.state == "waiting" for other in waiting)
    left = len(card.left_out)
    count = f"{len(card.stacks)} stack{'' if len(card.stacks) == 1 else 's'}"
    entry.why = (
        f"sorted into {count}: {len(taken)} taken, {len(waiting) - asked + len(ready)} about to be, {asked} to be "
        f"decided by a person; {left} file{'' if left == 1 else 's'} left out"
    )
    entry.why = "; ".join([entry.why, *troubles])
    entry.state = "waiting" if asked or troubles else "done" if card.stacks or taken else "ignored"


def _ready(offer: Offer, told: Entry, digests: Mapping[str, str]) -> Ready:
    return Ready(
        entry=told, frames=offer.frames, companions=offer.companions, aside=offer.aside, digests=digests
    )


def _tell_aside(card: SortedCard, folder: Folder, taken: Sequence[tuple[Entry, Known]]) -> None:
    """Say of stacks that were taken which files came with them and are no frames of theirs."""
    why = {os.path.relpath(each.path, folder.path): each.why for each in card.left_out}
    for entry, known in taken:
        beside = [name for name in known.files if name in why and name not in frames_of(known)]
        entry.ignored = [(Path(name).name, why[name]) for name in beside]


def _read_digests(
    offer: Offer, folder: Folder, digests: Digests, reading: Allowance
) -> dict[str, str] | int | None:
    """Digests by name; how many are missing when time is up; None if a file changed or cannot be read."""
    found: dict[str, str] = {}
    for count, (name, mark) in enumerate(_marked(offer, folder)):
        if digests.known(mark) is None and reading.used_up:
            return len(offer.frames) - count
        try:
            digest = digests.of(Path(folder.path, name), mark, reading)
        except OSError:
            return None
        if digest is None:
            return None
        found[name] = digest
    return found


def _marked(offer: Offer, folder: Folder) -> Iterator[tuple[str, Mark]]:
    for name in offer.frames:
        yield name, folder.frames[name]
