"""Files that are complete if they exist: written beside their target under another name, synced, then renamed."""

from __future__ import annotations

import fcntl
import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from nearfar.durable import sync


@contextmanager
def whole_file(path: Path | str, *, durable: bool = True) -> Iterator[Path]:
    """Give a temporary path beside ``path``; when the block ends well it becomes ``path``, on an error it is removed.

    The data reach the disk before the name does, and the folder is synced after it, so that a power cut leaves either
    the old state or the new one. Without ``durable`` nothing is synced: for a folder of which whoever made it syncs all
    files at once before anybody relies on it.
    """
    path = Path(path)
    temporary = path.with_name(f"{_parts_of(path)}-{secrets.token_hex(6)}.part")
    try:
        with _held(temporary) as descriptor:
            yield temporary
            if durable:
                os.fsync(descriptor)
            temporary.replace(path)
        if durable:
            sync(path.parent)
    except OSError as error:
        if error.filename is None or error.filename == str(temporary):
            error.filename = str(path)  # the name that a person knows
        raise
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def _held(temporary: Path) -> Iterator[int]:
    """Make the file and hold a lock on it, which ends with the process: by that `remove_parts` knows it is in use."""
    descriptor = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
    try:
        with suppress(OSError):  # some network file systems know no locks
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield descriptor
    finally:
        os.close(descriptor)


def remove_parts(path: Path | str) -> None:
    """Remove what killed runs left beside ``path``; what somebody is still writing stays."""
    path = Path(path)
    for entry in path.parent.glob(f"{_parts_of(path)}-*.part"):
        with suppress(OSError), open(entry, "rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            entry.unlink()


def _parts_of(path: Path) -> str:
    """How temporary names beside ``path`` begin: with a digest of its name, so that they stay short."""
    return f".nearfar-{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:10]}"
