"""The watched folders: what lies in them, how far each stack has come, and which are complete.

`Inbox.look` looks at everything once. It never changes a file, and knows no job: the runner makes jobs of the arrivals
and tells `Memory` about them.
"""

from __future__ import annotations

import errno
import logging
import os
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from nearfar.errors import InputRefused
from nearfar.intake.card.folders import apart, card_name
from nearfar.intake.card.following import CardFollower, Ready, Sorting
from nearfar.intake.digests import Digests
from nearfar.intake.following import Contents, Follower, Processes
from nearfar.intake.memory import Known, Memory
from nearfar.intake.names import EXPECT, READY, WISHES, sorter, stack_name
from nearfar.intake.scanning import Folder, said, scan
from nearfar.intake.settling import Mark, Patience, Stage, Verdict
from nearfar.intake.state import Entry, FolderState, read_state
from nearfar.intake.wishes import Wishes, read_expected, read_wishes

__all__ = ["Arrival", "Found", "Inbox", "Look", "Watched", "read_state"]

log = logging.getLogger(__name__)

READING = 2.0
"""Seconds of reading for digests in one look."""
SKEW = 60.0
"""Seconds by which a time stamp may be ahead of this machine's clock without a word."""
AWAY = {errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.EIO, errno.ENOTCONN}
AWAY |= {errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ETIMEDOUT}
"""What the system says of a share that is gone."""


@dataclass(frozen=True, kw_only=True)
class Watched:
    """A folder to watch, and what holds for the stacks in it unless they say otherwise."""

    path: str
    wishes: Wishes = field(default_factory=Wishes)
    problem: str | None = None
    """Why it may not be watched at all."""


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """A stack that is complete, or can never be."""

    path: str
    source: str
    stack: str
    loose: bool
    """It is one of several stacks in its folder, a card."""
    contents: Contents
    files: Mapping[str, Mark]
    """By name, all pictures of the folder, whether they are frames of the stack or not."""
    said: Wishes
    """What the folder says."""
    wishes: Wishes
    """That, and what holds for the watched folder."""
    faults: Mapping[str, str]
    """By name, why frames cannot be read; if there are any, it can never become a picture."""
    refused: str | None
    """That in one sentence."""

    def name(self, path: str) -> str:
        """A file's path within the folder."""
        return path.removeprefix(self.source.rstrip("/") + "/")


@dataclass(kw_only=True)
class Found:
    """A stack that was seen: on its way, complete, or taken before (``known``) with nothing new in it."""

    entry: Entry
    arrival: Arrival | None = None
    known: Known | None = None


@dataclass(frozen=True, kw_only=True)
class Look:
    """All that was seen at once."""

    folders: tuple[FolderState, ...]
    found: tuple[Found, ...]
    hurry: bool
    """There is more to read: look again at once."""


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a stack lies."""

    root: Watched
    folder: Folder
    settings: tuple[Path, ...]
    """Files with wishes, from the watched folder down."""
    share: str | None
    now: float


class Inbox:
    """Follows all stacks in the watched folders.

    Parameters
    ----------
    watched
        The folders.
    rules
        How long to wait.
    memory, digests
        What was taken, and what was read before; without digests no file is read and nothing offered.
    sorting
        How cards are sorted into stacks.
    ignore
        Patterns of names that are no frames.
    excluded
        Folders not to be looked into.
    share
        Why writers to a folder cannot be seen from this machine; None if they can.
    """

    def __init__(
        self,
        watched: Sequence[Watched],
        *,
        rules: Patience,
        memory: Memory,
        digests: Digests | None,
        sorting: Sorting,
        ignore: Sequence[str] = (),
        excluded: Collection[str] = (),
        share: Callable[[str], str | None] = lambda folder: None,
    ) -> None:
        self.watched = tuple(watched)
        self.memory = memory
        self.digests = digests
        self._sorting = sorting
        self._rules = rules
        self._sort = sorter(tuple(ignore))
        self._excluded = frozenset(excluded)
        self._share = share
        self._processes = Processes()
        self._followers: dict[str, Follower] = {}
        self._followed: set[str] = set()
        self._cards: dict[str, CardFollower] = {}
        self._seen_cards: set[str] = set()
        self._last: dict[str, list[Found]] = {}
        self._until = 0.0
        self._hurry = False

    def look(self, now: float) -> Look:
        """Look at everything. ``now`` is the time of a monotonic clock."""
        self._until, self._hurry = time.monotonic() + READING, False
        self._followed, self._seen_cards = set(), set()
        folders: list[FolderState] = []
        for root in self.watched:
            problem = root.problem or self._look_at(root, now)
            folders.append(FolderState(path=root.path, problem=problem))
            if problem is not None:
                self._keep_as_it_was(root.path, problem)
        for key in set(self._followers) - self._followed:
            del self._followers[key]
        for key in set(self._cards) - self._seen_cards:
            del self._cards[key]
        found = [found for root in self.watched for found in self._last.get(root.path, ())]
        return Look(folders=tuple(folders), found=tuple(found), hurry=self._hurry)

    def cards(self) -> list[str]:
        """Folders that are cards now: every watched one, and those in them that look like one."""
        found = [root.path for root in self.watched if root.problem is None]
        for root in list(found):
            with suppress(OSError):
                folders = list(scan(root, sort=self._sort, excluded=self._excluded))
                found += [card.path for card in apart(folders)[0]]
        return list(dict.fromkeys(found))

    def _keep_as_it_was(self, root: str, problem: str) -> None:
        """One message for the folder; what was known of its stacks stays, what was on its way waits."""
        inside = root.rstrip("/") + "/"
        self._followed |= {key for key in self._followers if key == root or key.startswith(inside)}
        self._seen_cards |= {key for key in self._cards if key == root or key.startswith(inside)}
        kept = []
        for found in self._last.get(root, ()):
            if found.known is not None or found.entry.state == "ignored":
                kept.append(found)
                continue
            entry = replace(found.entry, state="waiting", why="its watched folder is away", seconds=None)
            kept.append(Found(entry=entry))
        self._last[root] = kept

    def _look_at(self, root: Watched, now: float) -> str | None:
        """Look at one watched folder; what is wrong with it."""
        try:
            if os.path.ismount(root.path):
                self.memory.mounted(root.path)
            elif root.path in self.memory.mounts:
                return "the share is not mounted; its stacks wait until it is back"
            folders = list(scan(root.path, sort=self._sort, excluded=self._excluded))
        except OSError as error:
            if error.errno in AWAY:
                return f"the folder is not there: {said(error)}; its stacks wait until it is back"
            return f"the folder cannot be read: {said(error)}; change its permissions"
        share = self._share(root.path)
        settings = {folder.parts: Path(folder.path, WISHES) for folder in folders if WISHES in folder.ours}
        found: list[Found] = []
        cards, stacks = apart(folders)
        for folder in [*cards, *stacks]:
            above = [folder.parts[:n] for n in range(len(folder.parts) + 1)] if settings else []
            place = _Place(
                root=root,
                folder=folder,
                settings=tuple(settings[parts] for parts in above if parts in settings),
                share=share,
                now=now,
            )
            found += self._judge(place, card=folder in cards)
        self._last[root.path] = found
        return None

    def _judge(self, place: _Place, *, card: bool) -> list[Found]:
        """What there is to say of a folder; a bug that one of them meets does not stop the others."""
        try:
            return list(self._on_card(place) if card else self._in_folder(place))
        except Exception as error:
            log.exception(
                "a mistake in Nearfar about %s", place.folder.path, extra={"action": "watch.mistake"}
            )
            why = f"a mistake in Nearfar, not in the frames: {type(error).__name__}: {error}"
            name = stack_name(place.folder.parts)
            return [Found(entry=Entry(path=place.folder.path, stack=name, state="waiting", why=why))]

    def _in_folder(self, place: _Place) -> Iterator[Found]:
        """What there is to say of a folder below a watched one: its frames are one stack."""
        folder = place.folder
        entry = Entry(
            path=folder.path,
            stack=stack_name(folder.parts),
            state="arriving",
            why="",
            frames=len(folder.frames),
            ignored=folder.ignored,
        )
        known = self.memory.known.get(folder.path)
        if folder.problem:
            entry.state, entry.why = "waiting", folder.problem
            yield Found(entry=entry)
        elif folder.frames or folder.temporary or folder.ours.keys() & {EXPECT, READY}:
            yield self._follow(place, entry, known, key=folder.path)
        elif known is not None and known.job is not None:
            yield Found(entry=entry, known=known)
        elif folder.ignored:
            entry.state, entry.why = "ignored", "there is no frame in it"
            yield Found(entry=entry)

    def _on_card(self, place: _Place) -> Iterator[Found]:
        """What there is to say of a card: of itself, of its stacks that were taken, and of those that are not."""
        folder = place.folder
        entry = Entry(path=folder.path, stack=stack_name(folder.parts), state="waiting", why="")
        try:
            said = read_wishes(place.settings)
            expected = read_expected(Path(folder.path, EXPECT)) if EXPECT in folder.ours else None
        except InputRefused as error:
            entry.why = str(error)
            yield Found(entry=entry)
            return
        if folder.problem:
            entry.why = folder.problem
            yield Found(entry=entry)
            return
        self._seen_cards.add(folder.path)
        follower = self._cards.setdefault(
            folder.path, CardFollower(self._sorting, self._rules, self._processes)
        )
        seen = follower.look(
            place.now,
            folder,
            name=card_name(folder.parts),
            known=self.memory.loose(folder.path),
            expected=expected,
            ready=READY in folder.ours,
            share=place.share,
            digests=self.digests,
            until=self._until,
        )
        self._hurry |= seen.hurry
        if seen.entry is not None:
            seen.entry.why += _skew(folder.frames)
            yield Found(entry=seen.entry)
        for told, known in seen.taken:
            yield Found(entry=told, known=known)
        for told in seen.waiting:
            yield Found(entry=told)
        for ready in seen.ready:
            yield Found(entry=ready.entry, arrival=_stack_of_card(place, ready, said))

    def _follow(self, place: _Place, entry: Entry, known: Known | None, *, key: str) -> Found:
        """How far a stack has come, unless nothing of it is new."""
        folder = place.folder
        try:
            said = read_wishes(place.settings)
            ours = folder.ours
            entry.expected = read_expected(Path(folder.path, EXPECT)) if EXPECT in ours else None
        except InputRefused as error:
            entry.state, entry.why = "waiting", str(error)
            return Found(entry=entry)
        if known is not None and known.job is not None and known.same_as(folder.frames, said):
            return Found(entry=entry, known=known)
        self._followed.add(key)
        follower = self._followers.setdefault(key, Follower(self._rules, self._processes))
        verdict = follower.look(
            place.now, folder, expected=entry.expected, ready=READY in ours, share=place.share
        )
        entry.why, entry.seconds = verdict.why + _skew(folder.frames), verdict.seconds
        if verdict.stage in (Stage.ARRIVING, Stage.SETTLING):
            entry.state = "arriving" if verdict.stage is Stage.ARRIVING else "settling"
            return Found(entry=entry)
        return self._complete(place, entry, said, follower, verdict)

    def _complete(
        self, place: _Place, entry: Entry, said: Wishes, follower: Follower, verdict: Verdict
    ) -> Found:
        folder = place.folder
        contents = follower.contents(folder, self.digests, until=self._until)
        if not isinstance(contents, Contents):
            entry.state, entry.seconds = "settling", None
            entry.why = (
                "a file changed while it was read" if contents is None else f"{contents} files to be read"
            )
            self._hurry |= contents is not None
            return Found(entry=entry)
        entry.ignored = [*entry.ignored, *contents.passed_over]
        entry.frames = len(contents.frames)
        if not contents.frames:
            entry.state, entry.why, entry.seconds = "ignored", "only results of Nearfar, no frames", None
            return Found(entry=entry)
        if self.digests is None:
            entry.state = "settling"
            return Found(entry=entry)
        arrival = Arrival(
            path=entry.path,
            source=folder.path,
            stack=entry.stack,
            loose=False,
            contents=contents,
            files=folder.frames,
            said=said,
            wishes=said.over(place.root.wishes),
            faults=verdict.faults,
            refused=verdict.why if verdict.faults else None,
        )
        return Found(entry=entry, arrival=arrival)


def _skew(frames: Mapping[str, Mark]) -> str:
    """A warning if time stamps lie in the future; nothing else depends on them."""
    ahead = max((mark.mtime_ns for mark in frames.values()), default=0) / 1e9 - time.time()
    if ahead < SKEW:
        return ""
    return "; time stamps lie in the future: check the clock of the machine that wrote them"


def _stack_of_card(place: _Place, ready: Ready, said: Wishes) -> Arrival:
    """A stack of a card, as any other that is complete."""
    folder = place.folder
    paths = {name: str(Path(folder.path, name)) for name in (*ready.frames, *ready.companions)}
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
            companions=tuple(paths[name] for name in ready.companions),
        ),
        files={name: folder.frames[name] for name in paths},
        said=said,
        wishes=wishes,
        faults={},
        refused=None,
    )
