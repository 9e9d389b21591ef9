"""The scratch folder of one picture: outputs of steps under their keys, whole or not there.

A file is written under a passing name and renamed, so a killed run leaves no half output under a key. Files are
not synced to disk one by one; what was written before the machine last started is not trusted instead.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed

BOOT = Path("/proc/sys/kernel/random/boot_id")


def _boot() -> str:
    try:
        return BOOT.read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def folder_for(base: Path, out: Path) -> Path:
    """The scratch folder of the picture ``out`` below ``base``: named after it, told apart by its full path."""
    name = hashlib.sha256(os.fsencode(out.absolute())).hexdigest()[:12]
    stem = "".join(c if c.isalnum() or c in "-_." else "_" for c in out.stem)[:40]
    return base / f"{stem}-{name}"


class Scratch:
    """Outputs under keys in one folder. Made by `open_scratch`, which holds its lock."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.wanted: set[str] = set()

    def path(self, key: str, kind: str) -> Path:
        """Where the output of that key and kind lies, or would lie."""
        name = f"{key}.{kind}"
        self.wanted.add(name)
        return self.folder / name

    def has(self, key: str, kind: str, size: int | None = None) -> bool:
        """Whether the output is there (and, where given, has exactly ``size`` bytes)."""
        try:
            status = self.path(key, kind).stat()
        except FileNotFoundError:
            return False
        return size is None or status.st_size == size

    @contextmanager
    def writing(self, key: str, kind: str) -> Iterator[Path]:
        """A passing name to write to; renamed to the output's when the block ends well, removed otherwise."""
        target = self.path(key, kind)
        part = target.with_name(f"{target.name}.{os.getpid()}.part")
        try:
            yield part
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)

    def save(self, key: str, kind: str, arrays: Mapping[str, NDArray[Any]]) -> None:
        """Store named arrays under a key."""
        with self.writing(key, kind) as part, open(part, "wb") as file:
            np.savez(file, **arrays)  # type: ignore[arg-type, unused-ignore]

    def load(self, key: str, kind: str, *names: str) -> list[NDArray[Any]]:
        """Named arrays of an output; only these are read."""
        try:
            with np.load(self.path(key, kind), allow_pickle=False) as stored:
                return [stored[name] for name in names]
        except (OSError, ValueError, KeyError) as error:
            raise WorkFailed(
                f"{self.path(key, kind)}: not readable ({error}); remove the folder {self.folder} and run again"
            ) from error

    def save_text(self, key: str, kind: str, value: object) -> None:
        """Store JSON under a key."""
        with self.writing(key, kind) as part:
            part.write_text(json.dumps(value), encoding="utf-8")

    def load_text(self, key: str, kind: str) -> Any:
        """JSON stored under a key, or None."""
        try:
            return json.loads(self.path(key, kind).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None

    def sweep(self) -> None:
        """Remove what this run did not ask for: outputs of other settings, and parts of killed runs."""
        for entry in self.folder.iterdir():
            if entry.name not in self.wanted and entry.name not in ("lock", "boot"):
                entry.unlink(missing_ok=True)

    def remove(self) -> None:
        """Remove the whole folder."""
        shutil.rmtree(self.folder, ignore_errors=True)


@contextmanager
def open_scratch(base: Path, out: Path) -> Iterator[Scratch]:
    """The scratch folder of ``out``, made if need be and locked against a second run.

    Raises
    ------
    WorkFailed
        Another run is at work on the same picture, or the folder cannot be written.
    """
    folder = folder_for(base, out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = open(folder / "lock", "w")  # noqa: SIM115 - held open: the lock ends with it
    except OSError as error:
        raise WorkFailed(
            f"scratch folder {folder}: cannot be written ({error.strerror}); name another one with --scratch"
        ) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise WorkFailed(
                f"{out.name}: another run is at work on this picture (scratch folder {folder}); "
                "wait for it, or give --out another name"
            ) from error
        _distrust_older(folder)
        yield Scratch(folder)


def _distrust_older(folder: Path) -> None:
    marker = folder / "boot"
    if not marker.exists() or marker.read_text(encoding="ascii") != _boot():
        for entry in folder.iterdir():
            if entry.name != "lock":
                entry.unlink(missing_ok=True)
        marker.write_text(_boot(), encoding="ascii")
