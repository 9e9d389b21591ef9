"""Programs that put a frame into a folder, each in a way of its own: slowly, in pieces, under other names."""

from __future__ import annotations

import hashlib
import mmap
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.worker.frames.makers import picture, write_tiff
from tests.worker.runner.watching.stepped import SCAN

QUIET = 2.0
"""Seconds: what pauses for less has to be in time on a busy machine, too."""


def whole(path: Path) -> bytes:
    """A frame of 240 kB that no other writer has."""
    seed = int.from_bytes(hashlib.sha256(path.parent.name.encode()).digest()[:4], "little")
    maker = path.parents[2] / "made" / f"{path.parent.name}-{path.name}"
    maker.parent.mkdir(exist_ok=True)
    return write_tiff(maker, picture(height=200, width=200, seed=seed)).read_bytes()


def pieces(data: bytes, count: int = 12) -> Iterator[bytes]:
    step = -(-len(data) // count)
    yield from (data[at : at + step] for at in range(0, len(data), step))


def slowly(file: Any, data: bytes, *, stall: float = 0.0, rest: float = 0.1) -> None:
    for number, piece in enumerate(pieces(data)):
        time.sleep(stall if number == 6 else rest)
        file.write(piece)
        file.flush()


def plain(path: Path) -> None:
    with open(path, "wb") as file:
        slowly(file, whole(path))


def stalled(path: Path) -> None:
    with open(path, "wb") as file:
        slowly(file, whole(path), stall=3 * QUIET)


def reopened(path: Path) -> None:
    for piece in pieces(whole(path), 6):
        with open(path, "ab") as file:
            file.write(piece)
        time.sleep(0.4)


def stalled_closed(path: Path) -> None:
    """Close the file in the middle for longer than the quiet time: only the missing end shows that it is incomplete."""
    data = whole(path)
    path.write_bytes(data[: len(data) // 2])
    time.sleep(2 * QUIET)
    path.write_bytes(data)


def preallocated(path: Path) -> None:
    data = whole(path)
    with open(path, "wb") as file:
        file.truncate(len(data))
        slowly(file, data)


def preallocated_stalled(path: Path) -> None:
    data = whole(path)
    with open(path, "wb") as file:
        file.truncate(len(data))
        slowly(file, data, stall=3 * QUIET)


def preallocated_closed(path: Path) -> None:
    """Zeros of the full size, closed, and filled later, as some clients of shares do."""
    data = whole(path)
    path.write_bytes(data[:4096] + bytes(len(data) - 4096))
    time.sleep(2 * QUIET)
    path.write_bytes(data)


def old_time(path: Path) -> None:
    with open(path, "wb") as file:
        for piece in pieces(whole(path)):
            file.write(piece)
            file.flush()
            os.utime(path, (1e9, 1e9))
            time.sleep(0.1)
    os.utime(path, (1e9, 1e9))


def future_time(path: Path) -> None:
    plain(path)
    os.utime(path, (4e9, 4e9))


def renamed(path: Path) -> None:
    part = path.with_name(f"{path.name}.part")
    with open(part, "wb") as file:
        slowly(file, whole(path), stall=2 * QUIET)
    part.rename(path)


def rsync_like(path: Path) -> None:
    part = path.with_name(f".{path.name}.Qw3rTy")
    with open(part, "wb") as file:
        slowly(file, whole(path))
    part.rename(path)


def twice(path: Path) -> None:
    path.write_bytes(os.urandom(100_000))
    time.sleep(3 * SCAN)  # for long enough to be seen
    plain(path)


def empty_first(path: Path) -> None:
    path.touch()
    time.sleep(2 * QUIET)
    plain(path)


def mapped(path: Path) -> None:
    data = whole(path)
    with open(path, "w+b") as file:
        file.truncate(len(data))
        mapping = mmap.mmap(file.fileno(), len(data))
    at = 0
    for piece in pieces(data):
        mapping[at : at + len(piece)] = piece
        at += len(piece)
        time.sleep(0.25)
    mapping.close()


def kept_open(path: Path) -> None:
    """Write a whole file and, without closing it, write again later: only the open file shows that it is not finished."""
    data = whole(path)
    with open(path, "wb") as file:
        file.write(data)
        file.flush()
        time.sleep(3 * QUIET)
        file.seek(0)
        file.write(data[:-100] + bytes(range(100)))


def kept_mapped(path: Path) -> None:
    """The same through a mapping of a closed file: only the mapping shows that it is not finished."""
    path.write_bytes(whole(path))
    with open(path, "r+b") as file:
        descriptor = file.fileno()
        mapping = mmap.mmap(descriptor, 0)
    time.sleep(3 * QUIET)
    mapping[-100:] = bytes(range(100))
    mapping.close()


def copied_folder(path: Path) -> None:
    """``cp -r`` of a folder, one frame after another."""
    source = path.parents[2] / "card" / path.parent.name
    source.mkdir(parents=True)
    (source / path.name).write_bytes(whole(path))
    subprocess.run(["cp", "-r", f"{source}/.", str(path.parent)], check=True)


def moved_folder(path: Path) -> None:
    source = path.parents[2] / "card" / path.parent.name
    source.mkdir(parents=True)
    (source / path.name).write_bytes(whole(path))
    path.parent.rmdir()
    source.rename(path.parent)


WRITERS: list[Callable[[Path], None]] = [
    *(plain, stalled, reopened, stalled_closed, preallocated, preallocated_stalled, preallocated_closed),
    *(
        old_time,
        future_time,
        renamed,
        rsync_like,
        twice,
        empty_first,
        mapped,
        kept_open,
        kept_mapped,
        copied_folder,
        moved_folder,
    ),
]
