"""What became of each stack that was taken, so that a restart takes nothing twice: ``state/stacks``.

Records are kept when a folder is empty or gone, since a share that is away looks like that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from nearfar.intake.ledger import Ledger
from nearfar.intake.settling import Mark
from nearfar.intake.wishes import Wishes

MOUNT = "mounted "
Trace = tuple[int, int, int, int]
"""Inode, size, and times of change of content and status, by which a file is recognised as unchanged."""


def trace(mark: Mark) -> Trace:
    """The part of a file's mark that is remembered."""
    return mark.inode, mark.size, mark.mtime_ns, mark.ctime_ns


@dataclass(frozen=True, kw_only=True)
class Known:
    """A stack that was taken."""

    path: str
    """The stack's path, as in `state.Entry`."""
    source: str
    """The folder that holds its files."""
    stack: str
    files: Mapping[str, Trace]
    """Frames and files that belong to them, by name."""
    digest: str
    """Of the set."""
    digests: Mapping[str, str] = field(default_factory=dict)
    """Of the frames, by name."""
    companions: tuple[str, ...] = ()
    """Names of files that are moved with the frames."""
    wishes: str = "{}"
    loose: bool = False
    refused: bool = False
    """Whether a file of it could not be read; any change of a file then makes it be looked at again."""
    duplicate: bool = False
    """Whether its job was made from the same frames in another place."""
    job: int | None = None
    """Its job's number; None if it was about to be taken."""
    told: str | None = None
    """A remark for people on how it became that job."""
    moving: str | None = None
    """Folder that its files are being moved to, or were."""
    moved: bool = False
    trouble: str | None = None
    """Why its files could not be moved."""

    def same(self, files: Mapping[str, Mark]) -> bool:
        """Whether these are the files of the stack, or a part of them, unchanged."""
        if self.refused:
            return {name: trace(mark) for name, mark in files.items()} == self.files
        return bool(files) and all(self.has(name, mark) for name, mark in files.items())

    def same_as(self, files: Mapping[str, Mark], wishes: Wishes) -> bool:
        """Whether nothing is new: no other files, no other wishes. No files at all count as nothing new."""
        return self.wishes == wishes.said() and (not files or self.same(files))

    def has(self, name: str, mark: Mark) -> bool:
        """Whether a file is one of its files, unchanged but for name, mode and owner."""
        known = self.files.get(name)
        return known is not None and known[:3] == trace(mark)[:3]


@dataclass
class Memory:
    """All stacks that were taken, by path."""

    ledger: Ledger
    known: dict[str, Known] = field(default_factory=dict)
    mounts: set[str] = field(default_factory=set)
    """Watched folders that were seen to be mounted: if one is not, its share is away."""
    fresh: bool = False
    """Whether nothing was remembered: this is the first run, or the file was lost."""

    @classmethod
    def open(cls, file: Path, *, reading: bool = False) -> Memory:
        """Read it; with ``reading`` nothing is ever written."""
        memory = cls(ledger=Ledger(file, reading=reading), fresh=not file.exists())
        for path, record in memory.ledger.records.items():
            if path.startswith(MOUNT):
                memory.mounts.add(path.removeprefix(MOUNT))
                continue
            files = {name: (s[0], s[1], s[2], s[3]) for name, s in record["files"].items()}
            memory.known[path] = Known(**record | {"files": files, "companions": tuple(record["companions"])})
        return memory

    def keep(self, known: Known) -> Known:
        """Remember a stack, synced to the disk. Raises `OSError`."""
        if self.known.get(known.path) != known:
            self.ledger.put({known.path: asdict(known)})
            self.known[known.path] = known
        return known

    def forget(self, paths: Sequence[str]) -> None:
        """Remember these no longer. Raises `OSError`."""
        if paths:
            self.ledger.put(dict.fromkeys(paths))
        for path in paths:
            self.known.pop(path, None)

    def mounted(self, folder: str) -> None:
        """Remember that something is mounted at a watched folder. Raises `OSError`."""
        if folder not in self.mounts:
            self.ledger.put({MOUNT + folder: True})
            self.mounts.add(folder)

    def note(self, known: Known, **changes: object) -> Known:
        """Remember a stack with some fields changed."""
        return self.keep(replace(known, **changes))  # type: ignore[arg-type]

    def loose(self, source: str) -> list[Known]:
        """Stacks that were taken from a folder of loose frames, i.e. from a card."""
        return [k for k in list(self.known.values()) if k.loose and k.source == source]
