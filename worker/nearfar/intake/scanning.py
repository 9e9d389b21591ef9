"""One look at everything below a watched folder: which files lie where, and what is passed over with the reason.

Events of a file system are lost, late or missing on shares, so this is what counts; it opens no file.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from nearfar.intake.names import WATCHED_BY, Sort, junk_folder
from nearfar.intake.settling import Mark

DEEPEST = 32


@dataclass(kw_only=True)
class Folder:
    """What lies directly in a folder."""

    path: str
    parts: tuple[str, ...]
    """Its place below the watched folder; empty for that one itself."""
    frames: dict[str, Mark] = field(default_factory=dict)
    temporary: dict[str, Mark] = field(default_factory=dict)
    side_cars: dict[str, Mark] = field(default_factory=dict)
    ours: dict[str, Mark] = field(default_factory=dict)
    ignored: list[tuple[str, str]] = field(default_factory=list)
    problem: str | None = None
    """Why it could not be read."""


def said(error: OSError) -> str:
    """An error of the system: its words, its number, and the file that it concerns."""
    return f"{error.strerror or error} (errno {error.errno}), as user {os.geteuid()}"


def scan(
    root: str, *, sort: Callable[[str], tuple[Sort, str]], excluded: Collection[str] = ()
) -> Iterator[Folder]:
    """All folders from ``root`` down, it first.

    Parameters
    ----------
    excluded
        Folders that are not looked into: those of the server itself, and others that are watched on their own.

    Raises
    ------
    OSError
        If ``root`` itself cannot be read.
    """
    real = os.path.realpath(root)
    todo: list[tuple[str, tuple[str, ...]]] = [(root, ())]
    while todo:
        path, parts = todo.pop()
        folder = Folder(path=path, parts=parts)
        try:
            with os.scandir(path) as entries:
                for entry in entries:
                    if _look_at(entry, folder, real, sort):
                        if entry.path in excluded:
                            folder.ignored.append(
                                (entry.name, "a folder of the server, or watched on its own")
                            )
                        elif len(parts) >= DEEPEST:
                            folder.ignored.append((entry.name, f"deeper than {DEEPEST} folders"))
                        else:
                            todo.append((entry.path, (*parts, entry.name)))
        except OSError as error:
            if not parts:
                raise
            if isinstance(error, FileNotFoundError):
                continue
            folder.problem = f"the folder cannot be read: {said(error)}"
        yield folder


def _look_at(
    entry: os.DirEntry[str], folder: Folder, real: str, sort: Callable[[str], tuple[Sort, str]]
) -> bool:
    """Put an entry where it belongs; True for a folder to be looked into."""
    name = entry.name
    try:
        if entry.is_symlink():
            return _linked(entry, folder, real, sort)
        if entry.is_dir(follow_symlinks=False):
            if junk_folder(name):
                folder.ignored.append((name, "a folder that a system keeps for itself"))
                return False
            return True
        _place(name, entry.stat(follow_symlinks=False), folder, sort)
    except FileNotFoundError:
        pass  # it went away while we looked
    except OSError as error:
        folder.ignored.append((name, f"cannot be looked at: {said(error)}"))
    return False


def _place(
    name: str, status: os.stat_result, folder: Folder, sort: Callable[[str], tuple[Sort, str]]
) -> None:
    if name == WATCHED_BY:
        return
    kind, why = sort(name)
    if not stat.S_ISREG(status.st_mode):
        folder.ignored.append((name, "not a plain file"))
    elif kind is Sort.FRAME:
        folder.frames[name] = Mark.of(status)
    elif kind is Sort.TEMPORARY:
        folder.temporary[name] = Mark.of(status)
    elif kind is Sort.OURS:
        folder.ours[name] = Mark.of(status)
    else:
        if kind is Sort.SIDE_CAR:
            folder.side_cars[name] = Mark.of(status)
        folder.ignored.append((name, why))


def _linked(
    entry: os.DirEntry[str], folder: Folder, real: str, sort: Callable[[str], tuple[Sort, str]]
) -> bool:
    """A link is followed to files within the watched folder and nowhere else."""
    target = os.path.realpath(entry.path)
    where = os.path.dirname(target)  # noqa: PTH120 - so that links to one folder share their reason
    if target != real and not target.startswith(real.rstrip("/") + "/"):
        folder.ignored.append((entry.name, f"a link that leads out of the watched folder, into {where}"))
    elif not Path(target).exists():
        folder.ignored.append((entry.name, f"a link to a file in {where} that is not there"))
    elif Path(target).is_dir():
        folder.ignored.append((entry.name, "a link to a folder; the folder itself is looked into"))
    else:
        _place(entry.name, entry.stat(), folder, sort)
    return False
