"""A file that exists is complete: written beside its target under another name, synced, then renamed."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_file(path: Path | str) -> Iterator[Path]:
    """Give a temporary path beside ``path``; when the block ends well it becomes ``path``, on an error it is removed.

    The data reach the disk before the name does, and the folder is synced after it, so that a power cut leaves either
    the old state or the new one.
    """
    path = Path(path)
    temporary = path.with_name(f"{_parts_of(path)}-{secrets.token_hex(6)}.part")
    try:
        yield temporary
        _sync(temporary)
        temporary.replace(path)
        _sync(path.parent)
    except OSError as error:
        if error.filename is None or error.filename == str(temporary):
            error.filename = str(path)  # the name that a person knows
        raise
    finally:
        temporary.unlink(missing_ok=True)


def remove_parts(path: Path | str) -> None:
    """Remove what killed runs left beside ``path``. Only for whoever knows that nobody is writing it now."""
    path = Path(path)
    for entry in path.parent.glob(f"{_parts_of(path)}-*.part"):
        entry.unlink(missing_ok=True)


def _parts_of(path: Path) -> str:
    """How temporary names beside ``path`` begin: short whatever the name, told apart by a digest of it."""
    return f".nearfar-{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:10]}"


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
