"""What became of each stack that was ever taken, so that a restart takes nothing twice: ``state/stacks``.

Records stay when a folder is empty or gone: a share that is not there looks like that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from nearfar.intake.ledger import Ledger
from nearfar.intake.settling import Mark
from nearfar.intake.wishes import Wishes

MOUNT = "mounted "
Trace = tuple[int, int, int, int]
"""Inode, size, time of change of contents, of anything: what tells whether a file is the one it was."""


def trace(mark: Mark) -> Trace:
    """What is remembered of a file."""
    return mark.inode, mark.size, mark.mtime_ns, mark.ctime_ns


@dataclass(frozen=True, kw_only=True)
class Known:
    """A stack that was taken."""

    path: str
    """As in its entry."""
    source: str
    """The folder in which its files lie."""
    stack: str
    files: Mapping[str, Trace]
    """By name: frames, and what belongs to them."""
    digest: str
    """Of the set."""
    digests: Mapping[str, str] = field(default_factory=dict)
    """Of the frames, by name."""
    companions: tuple[str, ...] = ()
    """Names of what goes where the frames go."""
    wishes: str = "{}"
    loose: bool = False
    refused: bool = False
    """A file of it could not be read: any change of a file makes it worth another look."""
    duplicate: bool = False
    """Its job was made by the same frames at another place."""
    job: int | None = None
    """None: it was about to be taken."""
    told: str | None = None
    """What a person should know about how it became that job."""
    moving: str | None = None
    """Folder that its files are being moved to, or were."""
    moved: bool = False
    trouble: str | None = None
    """Why its files could not be moved."""

    def same(self, files: Mapping[str, Mark]) -> bool:
        """Whether these are the files that it was made of, or what is left of them."""
        if self.refused:
            return {name: trace(mark) for name, mark in files.items()} == self.files
        return bool(files) and all(self.has(name, mark) for name, mark in files.items())

    def same_as(self, files: Mapping[str, Mark], wishes: Wishes) -> bool:
        """Whether nothing here is new: no other files and no other wishes; none at all is nothing new either."""
        return self.wishes == wishes.said() and (not files or self.same(files))

    def has(self, name: str, mark: Mark) -> bool:
        """Whether a file is one of its files, unchanged but for name, mode and owner."""
        known = self.files.get(name)
        return known is not None and known[:3] == trace(mark)[:3]


@dataclass
class Memory:
    """All that is known, by path."""

    ledger: Ledger
    known: dict[str, Known] = field(default_factory=dict)
    mounts: set[str] = field(default_factory=set)
    """Watched folders that were seen to be mounted: if one is not, its share is away."""
    fresh: bool = False
    """Nothing was remembered: the first run, or the file was lost."""

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
        """Remember, on the disk. Raises `OSError`."""
        if self.known.get(known.path) != known:
            self.ledger.put({known.path: asdict(known)})
            self.known[known.path] = known
        return known

    def mounted(self, folder: str) -> None:
        """Remember that something is mounted at a watched folder. Raises `OSError`."""
        if folder not in self.mounts:
            self.ledger.put({MOUNT + folder: True})
            self.mounts.add(folder)

    def note(self, known: Known, **changes: object) -> Known:
        """Remember it with some changes."""
        return self.keep(replace(known, **changes))  # type: ignore[arg-type]

    def loose(self, source: str) -> list[Known]:
        """Groups of loose frames that were taken from a watched folder."""
        return [k for k in self.known.values() if k.loose and k.source == source]
