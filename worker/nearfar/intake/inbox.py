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
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from nearfar.errors import InputRefused
from nearfar.intake.answering import Answers, sign
from nearfar.intake.arrivals import Arrival, Found, Look, from_card
from nearfar.intake.card.folders import apart, card_name
from nearfar.intake.card.following import CardFollower, Sorting
from nearfar.intake.card.stacks import frames_of
from nearfar.intake.digests import Allowance, Digests
from nearfar.intake.following import Contents, Follower, Processes, with_end
from nearfar.intake.memory import Known, Memory
from nearfar.intake.names import EXPECT, READY, WISHES, sorter, stack_name
from nearfar.intake.place import Place, Watched
from nearfar.intake.scanning import Folder, said, scan
from nearfar.intake.settling import Mark, Patience, Stage, Verdict
from nearfar.intake.state import Entry, FolderState
from nearfar.intake.wishes import Wishes, read_expected, read_wishes

log = logging.getLogger(__name__)

READING = 2.0
"""Seconds that one look may spend on reading files for their digests."""
ANSWER = 15.0
"""Seconds that the other folders wait for a scan: more than that of a large, slow share takes."""
SKEW = 60.0
"""Seconds by which a time stamp may be ahead of this machine's clock before that is mentioned."""
AWAY = {errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.EIO, errno.ENOTCONN}
AWAY |= {errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ETIMEDOUT}
"""Error numbers of a share that is gone."""


@dataclass(frozen=True, kw_only=True)
class _Scanned:
    """What a scan of a watched folder found."""

    mounted: bool
    folders: list[Folder] = field(default_factory=list)
    share: str | None = None
    """Why writers to it cannot be seen from this machine."""
    error: OSError | None = None

    def whole(self) -> list[Folder]:
        """The folders. Raises `OSError` if the watched one cannot be read."""
        if self.error is not None:
            raise self.error
        return self.folders


class Inbox:
    """Follows all stacks in the watched folders.

    Parameters
    ----------
    watched
        The folders.
    rules
        How long to wait.
    memory, digests
        What was taken, and what was read before. Without digests no file is read and no arrival found.
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
        self.refused: Mapping[str, str] = {}
        """Watched folders that are not to be looked at, with the reason."""
        self._sorting = sorting
        self._rules = rules
        self._sort = sorter(tuple(ignore))
        self._excluded = frozenset(excluded)
        self._share = share
        self._processes = Processes()
        self._scans: Answers[_Scanned] = Answers(ANSWER)
        self._judged: Answers[list[Found]] = Answers(ANSWER, fresh=True)
        self._followers: dict[str, Follower] = {}
        self._followed: set[str] = set()
        self._cards: dict[str, CardFollower] = {}
        self._seen_cards: set[str] = set()
        self._last: dict[str, list[Found]] = {}
        self._hurry = False

    def look(self, now: float) -> Look:
        """Look at everything. ``now`` is the time of a monotonic clock."""
        self._hurry = False
        reading = Allowance(READING)
        self._followed, self._seen_cards = set(), set()
        folders: list[FolderState] = []
        for root in self.watched:
            if root.problem is None and root.path not in self.refused:
                self._scans.ask(root.path, partial(self._scan, root.path))
        for root in self.watched:
            problem = root.problem or self.refused.get(root.path) or self._look_at(root, now, reading)
            folders.append(FolderState(path=root.path, problem=problem))
            if problem is not None:
                self._keep_as_it_was(root.path, problem)
        for key in set(self._followers) - self._followed:
            if not self._followers[key].is_fresh(now):
                del self._followers[key]
        for key in set(self._cards) - self._seen_cards:
            del self._cards[key]
        found = [found for root in self.watched for found in self._last.get(root.path, ())]
        return Look(folders=tuple(folders), found=tuple(found), hurry=self._hurry)

    def cards(self) -> list[str]:
        """Folders that are cards now: every watched one, and those in them that look like one.

        A watched folder that does not answer is left out.
        """
        asked = [root for root in self.watched if root.problem is None]
        for root in asked:
            self._scans.ask(root.path, partial(self._scan, root.path))
        found: list[str] = []
        for root in asked:
            try:
                folders = self._scans.take(root.path).whole()
            except TimeoutError:
                continue
            except OSError:
                folders = []
            found += [root.path, *(card.path for card in apart(folders, all_cards=root.of_cards)[0])]
        return list(dict.fromkeys(found))

    def _keep_as_it_was(self, root: str, problem: str) -> None:
        """A watched folder that cannot be read: stacks that were taken stay as they are, those on their way wait."""
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

    def _look_at(self, root: Watched, now: float, reading: Allowance) -> str | None:
        """Look at one watched folder. Returns why it cannot be read, or None."""
        try:
            scanned = self._scans.take(root.path)
            if scanned.mounted:
                self.memory.mounted(root.path)
            elif root.path in self.memory.mounts:
                return "the share is not mounted; its stacks wait until it is back"
            folders = scanned.whole()
        except TimeoutError as error:
            return f"its file system does not answer ({error}); its stacks wait until it does"
        except OSError as error:
            if error.errno in AWAY:
                return f"the folder is not there: {said(error)}; its stacks wait until it is back"
            return f"the folder cannot be read: {said(error)}; change its permissions"
        self._judged.ask(root.path, partial(self._judge_all, root, folders, scanned.share, now, reading))
        try:
            self._last[root.path] = self._judged.take(root.path)
        except TimeoutError as error:
            return f"a file in it cannot be read: its file system does not answer ({error}); its stacks wait until it does"
        return None

    def _judge_all(
        self, root: Watched, folders: list[Folder], share: str | None, now: float, reading: Allowance
    ) -> list[Found]:
        """What is found in all folders of a watched one; in a thread of its own, since reading a file may hang."""
        settings = {folder.parts: Path(folder.path, WISHES) for folder in folders if WISHES in folder.ours}
        found: list[Found] = []
        cards, stacks = apart(folders, all_cards=root.of_cards)
        writers = self._processes.writers_in(folders)
        for folder in [*cards, *stacks]:
            above = [folder.parts[:n] for n in range(len(folder.parts) + 1)] if settings else []
            place = Place(
                root=root,
                folder=folder,
                settings=tuple(settings[parts] for parts in above if parts in settings),
                share=share,
                now=now,
                writers=writers,
                reading=reading,
            )
            found += self._judge(place, card=folder in cards)
            sign()
        return found

    def _scan(self, path: str) -> _Scanned:
        """What lies in a watched folder and all below; in a thread of its own, which may hang with a share."""
        mounted = os.path.ismount(path)
        if not mounted and path in self.memory.mounts:
            return _Scanned(mounted=False)
        try:
            folders = list(scan(path, sort=self._sort, excluded=self._excluded))
        except OSError as error:
            return _Scanned(mounted=mounted, error=error)
        return _Scanned(mounted=mounted, folders=folders, share=self._share(path))

    @property
    def scan_seconds(self) -> float:
        """Processor seconds of all scans so far, and of what followed from them."""
        return self._scans.spent + self._judged.spent

    def _judge(self, place: Place, *, card: bool) -> list[Found]:
        """What is found in one folder. A bug that shows in one folder does not hold up the others."""
        try:
            return list(self._on_card(place) if card else self._in_folder(place))
        except Exception as error:
            log.exception(
                "a mistake in Nearfar about %s", place.folder.path, extra={"action": "watch.mistake"}
            )
            why = f"a mistake in Nearfar, not in the frames: {type(error).__name__}: {error}"
            name = stack_name(place.folder.parts)
            return [Found(entry=Entry(path=place.folder.path, stack=name, state="waiting", why=why))]

    def _in_folder(self, place: Place) -> Iterator[Found]:
        """What is found in a folder whose frames are one stack."""
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

    def _on_card(self, place: Place) -> Iterator[Found]:
        """What is found on a card: itself, its stacks that were taken, those that wait and those that are complete."""
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
            folder.path, CardFollower(self._sorting, self._rules, self._processes, self.digests)
        )
        seen = follower.look(
            place, name=card_name(folder.parts), known=self.memory.loose(folder.path), expected=expected
        )
        self._hurry |= seen.hurry
        if seen.entry is not None:
            seen.entry.why += _skew(folder.frames)
            yield Found(entry=seen.entry)
        for told, known in seen.taken:
            yield Found(entry=told, known=known, left=_left(folder, known))
        for told in seen.waiting:
            yield Found(entry=told)
        for ready in seen.ready:
            yield Found(entry=ready.entry, arrival=from_card(place, ready, said))

    def _follow(self, place: Place, entry: Entry, known: Known | None, *, key: str) -> Found:
        """How far a stack has come, unless it was taken and nothing in it is new."""
        folder = place.folder
        try:
            said = read_wishes(place.settings)
            ours = folder.ours
            entry.expected = read_expected(Path(folder.path, EXPECT)) if EXPECT in ours else None
        except InputRefused as error:
            entry.state, entry.why = "waiting", str(error)
            return Found(entry=entry)
        if known is not None and known.job is not None and known.same_as(folder.frames, said):
            entry.frames = sum(name in folder.frames for name in frames_of(known))
            return Found(entry=entry, known=known, left=len(folder.frames))
        self._followed.add(key)
        follower = self._followers.setdefault(key, Follower(self._rules, self._processes))
        verdict = follower.look(place, expected=entry.expected)
        why = with_end(verdict) if self.digests is not None else verdict.why
        entry.why, entry.seconds = why + _skew(folder.frames), verdict.seconds
        if verdict.stage in (Stage.ARRIVING, Stage.SETTLING):
            entry.state = "arriving" if verdict.stage is Stage.ARRIVING else "settling"
            return Found(entry=entry)
        return self._complete(place, entry, said, follower, verdict)

    def _complete(
        self, place: Place, entry: Entry, said: Wishes, follower: Follower, verdict: Verdict
    ) -> Found:
        """A stack that has settled: read its files; an arrival once all of them are read."""
        folder = place.folder
        contents = follower.contents(folder, self.digests, reading=place.reading)
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


def _left(folder: Folder, known: Known) -> int:
    """How many files of a stack of a card are there as they were taken."""
    return sum(name in folder.frames and known.has(name, folder.frames[name]) for name in known.files)


def _skew(frames: Mapping[str, Mark]) -> str:
    """A warning if time stamps lie in the future; nothing else depends on them."""
    ahead = max((mark.mtime_ns for mark in frames.values()), default=0) / 1e9 - time.time()
    if ahead < SKEW:
        return ""
    return "; time stamps lie in the future: check the clock of the machine that wrote them"
