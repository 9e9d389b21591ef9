"""Remove only what the server made: entries directly in a given folder, never through a link."""

from __future__ import annotations

import contextlib
import secrets
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path

GOING = ".going-"
"""How the name of a folder begins that is being removed: whoever looks for it under its own no longer finds it."""


def folders_in(folder: Path) -> Iterator[Path]:
    """Folders that lie directly in one; links are none."""
    with contextlib.suppress(OSError):
        yield from sorted(path for path in folder.iterdir() if is_folder(path))


def files_in(folder: Path) -> Iterator[Path]:
    """Files that lie directly in one; links are none."""
    with contextlib.suppress(OSError):
        yield from sorted(path for path in folder.iterdir() if _is(path, stat.S_ISREG))


def is_folder(path: Path) -> bool:
    """Whether it is a folder itself, and not a link to one."""
    return _is(path, stat.S_ISDIR)


def _is(path: Path, kind: object) -> bool:
    try:
        return bool(kind(path.lstat().st_mode))  # type: ignore[operator]
    except OSError:
        return False


def remove_folder(path: Path, *, within: Path) -> bool:
    """Remove a folder that lies directly in ``within``, whole or, if the power goes, under a name that is swept.

    Links in it are removed, what they lead to is not touched. False: it is not there, is no folder, or cannot be removed.
    """
    if path.parent != within or path.name in ("", ".", "..") or not is_folder(path):
        return False
    going = path if path.name.startswith(GOING) else within / f"{GOING}{secrets.token_hex(6)}"
    try:
        if going != path:
            path.rename(going)
        shutil.rmtree(going)
    except OSError:
        shutil.rmtree(going, ignore_errors=True)
    return not going.exists() and not path.exists()


def remove_file(path: Path, *, within: Path) -> bool:
    """Remove a file that lies directly in ``within``; a link goes itself. False: it is not there or cannot be removed."""
    if path.parent != within or is_folder(path):
        return False
    try:
        path.unlink()
    except OSError:
        return False
    return True
