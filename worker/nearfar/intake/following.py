"""Follows one stack from its first file until it is complete: rules, a look into its files, digests."""

from __future__ import annotations

import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import FrameRefused, NearfarError
from nearfar.frames.ending import examine
from nearfar.frames.headers import FrameHeader
from nearfar.intake.answering import sign
from nearfar.intake.digests import Allowance, Digests
from nearfar.intake.listing import in_sequence, list_frames, made_by_nearfar, natural
from nearfar.intake.place import Place
from nearfar.intake.scanning import Folder, said
from nearfar.intake.settling import Fault, Mark, Patience, Settling, Sight, Verdict, Writers
from nearfar.intake.writers import hidden_users, open_writers, why_unseen

AGAIN = 5.0
"""Seconds after which a file that could not be read is read again even if it did not change."""
HIDDEN = 10.0
"""Seconds for which the list of users whose processes cannot be seen is kept."""


class Processes:
    """What is known of other processes on this machine."""

    def __init__(self) -> None:
        self._hidden: frozenset[int] | None = frozenset()
        self._asked = float("-inf")

    def writers_in(self, folders: Sequence[Folder]) -> Writers:
        """Who has which files in these folders open for writing: seen at the first question, once for all of them.

        Looking through all processes takes a quarter of a second where there are two hundred.
        """
        seen: list[Mapping[tuple[int, int], str]] = []

        def writers(_marks: Collection[Mark]) -> Mapping[tuple[int, int], str]:
            if not seen:
                seen.append(open_writers([mark for folder in folders for mark in folder.frames.values()]))
            return seen[0]

        return writers

    def why_unseen(self, owners: Collection[int]) -> str | None:
        """Why open writers of files of these owners may go unseen; None if they do not."""
        if time.monotonic() - self._asked > HIDDEN:
            self._hidden, self._asked = hidden_users(), time.monotonic()
        return why_unseen(owners, self._hidden)


@dataclass(frozen=True, kw_only=True)
class Looked:
    """What reading a file's header gave."""

    mark: Mark
    at: float
    header: FrameHeader | None = None
    own: bool = False
    """Whether Nearfar made it."""
    fault: Fault | None = None


@dataclass(frozen=True, kw_only=True)
class Contents:
    """The frames of a complete stack."""

    frames: tuple[str, ...]
    """Absolute paths, in the order they were taken; those that cannot be read come last."""
    headers: Mapping[str, FrameHeader]
    """By path, of those that can be read."""
    digests: Mapping[str, str]
    """SHA-256 by path; for a file that cannot be read, a text of its name and size instead."""
    passed_over: tuple[tuple[str, str], ...]
    """Names of pictures that are no frames of it, each with the reason."""
    companions: tuple[str, ...]
    """Paths of files that show the same exposure as a frame and are moved with it, e.g. its JPEG copy."""


class Follower:
    """Follows one stack that is arriving."""

    def __init__(self, rules: Patience, processes: Processes) -> None:
        self._rules = rules
        self._settling = Settling(rules)
        self._processes = processes
        self._files: dict[str, Looked] = {}
        self._contents: tuple[dict[str, Mark], Contents] | None = None

    def is_fresh(self, now: float) -> bool:
        """Whether something changed so lately that what comes next belongs to the same copying."""
        return now - self._settling.moved < self._rules.patience

    def look(self, place: Place, *, expected: int | None) -> Verdict:
        """Judge how far the stack has come; ``expected``: number of frames to wait for."""
        folder = place.folder
        for name in set(self._files) - set(folder.frames):
            del self._files[name]
        sight = Sight(
            frames=folder.frames,
            temporary=folder.temporary,
            others=folder.ours | folder.side_cars,
            expected=expected,
            count=self._exposures(folder) if expected else None,
            ready=place.ready,
            unseen=place.share or self._processes.why_unseen({mark.owner for mark in folder.frames.values()}),
        )

        def into(name: str, mark: Mark) -> Fault | None:
            return self._look_into(str(Path(folder.path, name)), name, mark, place.now)

        return self._settling.look(place.now, sight, writers=place.writers, examine=into)

    def _exposures(self, folder: Folder) -> int:
        """Number of exposures; a raw file and its developed copy count once."""
        try:
            return len(list_frames(Path(folder.path, name) for name in folder.frames).frames)
        except NearfarError:  # one went away meanwhile
            return len(folder.frames)

    def _look_into(self, path: str, name: str, mark: Mark, now: float) -> Fault | None:
        before = self._files.get(name)
        if before is not None and before.mark == mark and (before.fault is None or now - before.at < AGAIN):
            return before.fault
        looked = _look_into(path, mark, now)
        sign()
        self._files[name] = looked
        return looked.fault

    def contents(
        self, folder: Folder, digests: Digests | None, *, reading: Allowance
    ) -> Contents | int | None:
        """The frames of the stack, once it is complete or given up.

        Parameters
        ----------
        digests
            None: read none.
        reading
            How long files may be read.

        Returns
        -------
        The contents; or how many digests are still to be read; or None if a file changed.
        """
        if self._contents is not None and self._contents[0] == folder.frames:
            return self._contents[1]
        own = {name for name, looked in self._files.items() if looked.own}
        paths = [Path(folder.path, name) for name in sorted(folder.frames, key=natural) if name not in own]
        passed = [(name, "a result of Nearfar, not a frame") for name in sorted(own)]
        companions: list[str] = []
        if paths:
            try:
                listing = list_frames(paths)
            except NearfarError:
                return None
            passed += [(path.name, why) for path, why in listing.passed_over]
            companions = [str(path) for path, _ in listing.passed_over]
            paths = self._in_order(list(listing.frames))
        read = self._read(paths, folder, digests, reading) if digests is not None else {}
        if not isinstance(read, dict):
            return read
        looked = {str(path): self._files[path.name].header for path in paths if path.name in self._files}
        contents = Contents(
            frames=tuple(map(str, paths)),
            headers={path: header for path, header in looked.items() if header is not None},
            digests=read,
            passed_over=tuple(passed),
            companions=tuple(companions),
        )
        self._contents = dict(folder.frames), contents
        return contents

    def _in_order(self, paths: list[Path]) -> list[Path]:
        headers = [self._files[p.name].header for p in paths if p.name in self._files]
        readable = [header for header in headers if header is not None]
        ordered = [header.path for header in in_sequence(readable)]
        return ordered + [path for path in paths if path not in set(ordered)]

    def _read(
        self, paths: list[Path], folder: Folder, digests: Digests, reading: Allowance
    ) -> dict[str, str] | int | None:
        """Digests by path; how many are missing when time is up; None if a file changed."""
        read: dict[str, str] = {}
        for count, path in enumerate(paths):
            mark = folder.frames[path.name]
            if digests.known(mark) is None and reading.used_up:
                return len(paths) - count
            try:
                digest = digests.of(path, mark, reading)
            except OSError:
                looked = self._files.get(path.name)
                if looked is None or looked.fault is None:
                    return None  # it could be read a moment ago
                digest = f"unread {path.name} {mark.size}"
            if digest is None:
                return None
            read[str(path)] = digest
        return read


def with_end(verdict: Verdict) -> str:
    """Why a verdict is so and, where files are waited for that may still be filled, until when by this machine's clock."""
    if not verdict.waits_for or verdict.seconds is None:
        return verdict.why
    end = time.strftime("%H:%M:%S", time.localtime(round(time.time() + verdict.seconds)))
    files = "this file is" if len(verdict.waits_for) == 1 else f"these {len(verdict.waits_for)} files are"
    return f"{verdict.why.removesuffix('.')}; {files} waited for until {end} by the server's clock"


def _look_into(path: str, mark: Mark, now: float) -> Looked:
    try:
        header, doubt = examine(path)
        own = made_by_nearfar(header)
    except FrameRefused as error:
        return Looked(mark=mark, at=now, fault=Fault(str(error) + _system(error, path)))
    except OSError as error:
        return Looked(mark=mark, at=now, fault=Fault(f"{Path(path).name}: {said(error)}"))
    fault = Fault(f"{Path(path).name}: {doubt}", doubt=True) if doubt else None
    return Looked(mark=mark, at=now, header=header, own=own, fault=fault)


def _system(error: FrameRefused, path: str) -> str:
    """What the system said, if it was the system that refused."""
    cause = error.__cause__
    return f" ({path}: {said(cause)})" if isinstance(cause, OSError) else ""
