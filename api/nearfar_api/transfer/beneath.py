"""Files below a folder, opened step by step without following a link, so that no name leads out of it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


def plain(name: str) -> bool:
    """Whether a name is one step: neither a path nor a way back."""
    return name not in {"", ".", ".."} and "/" not in name and "\0" not in name


@contextmanager
def opened(root: Path, *steps: str, make: bool = False) -> Iterator[int]:
    """A descriptor of a folder below ``root``, which itself may be reached by links.

    Parameters
    ----------
    make
        Make the folders of the steps if they are missing.

    Raises
    ------
    OSError
        There is none, or a step is a link or no folder.
    """
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        for step in steps:
            if not plain(step):
                raise NotADirectoryError(f"{step!r} is not the name of a folder")
            if make:
                _make(fd, step)
            inner = os.open(step, FOLDER, dir_fd=fd)
            os.close(fd)
            fd = inner
        yield fd
    finally:
        os.close(fd)


def _make(fd: int, name: str) -> None:
    try:
        os.mkdir(name, dir_fd=fd)
    except FileExistsError:
        return
    os.fsync(fd)
