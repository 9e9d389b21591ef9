"""The scratch of one picture: outputs of steps under their keys, complete or not there.

A file is written under a temporary name and renamed, so that a killed run leaves no incomplete output under a key. Scratch
of one run is one folder, whose files are not synced one by one; instead, whatever is older than the machine's last start
is not used. Several processes may share scratch: a folder that all of them see, and one on each machine for decoded
frames, whose names contain the machine and its last start. In the folder that all see, files with checksums of their own are
not synced either: a sync waits until the disk has also written what was decoded meanwhile. What a power cut took of them is
found out by the first reader, and made again. Other files are synced. Two processes that make one output at the same time
make the same bytes, and the later one stays.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import secrets
import shutil
import socket
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from nearfar import durable
from nearfar.errors import WorkFailed
from nearfar.merge.stored_arrays import read_all, read_arrays, write_arrays

BOOT = Path("/proc/sys/kernel/random/boot_id")
UNREADABLE = (OSError, ValueError, KeyError, TypeError, OverflowError)
"""What reading damaged arrays raises."""
LOCAL = frozenset({"rows", "planes"})
"""Kinds of output that stay on the machine that made them: they are large, and made again faster than sent."""


def _boot() -> str:
    try:
        return BOOT.read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def folder_for(base: Path, out: Path) -> Path:
    """The scratch folder of the picture ``out`` below ``base``, named after the picture and a digest of its path."""
    name = hashlib.sha256(os.fsencode(out.absolute())).hexdigest()[:12]
    stem = "".join(c if c.isalnum() or c in "-_." else "_" for c in out.stem)[:40]
    return base / f"{stem}-{name}"


def _host() -> str:
    """This machine's name, in characters that a file name may have."""
    return re.sub(r"[^A-Za-z0-9_]", "_", socket.gethostname())[:40] or "host"


class Scratch:
    """Outputs under keys. Made by `open_scratch` for one run, by `share_scratch` for many.

    Parameters
    ----------
    folder
        Where outputs lie.
    local
        Where those of the kinds `LOCAL` and passing files lie; ``folder`` where not given.
    sync
        Whether outputs in ``folder`` without checksums reach the disk before they get their names.
    mark
        Part of the name of everything that is only passing, e.g. a worker's token: letters and digits.
    origin
        Part of the name of local outputs, by which those of others are not taken for our own.
    """

    def __init__(
        self,
        folder: Path,
        *,
        local: Path | None = None,
        sync: bool = False,
        mark: str = "run",
        origin: str | None = None,
    ) -> None:
        self.folder = folder
        self.local = local or folder
        self.sync = sync
        self.mark = mark
        self.origin = origin

    def path(self, key: str, kind: str) -> Path:
        """The path of an output, whether it exists or not."""
        if kind not in LOCAL:
            return self.folder / f"{key}.{kind}"
        return self.local / (f"{key}.{kind}" if self.origin is None else f"{key}.{self.origin}.{kind}")

    def passing(self, key: str, kind: str) -> Path:
        """A name that no other process or thread has, for what is made on the way to an output; ends in ``.part``."""
        return self._part(self.local / f"{key}.{kind}")

    def _part(self, target: Path) -> Path:
        who = f"{_host()}-{os.getpid()}-{self.mark}-{secrets.token_hex(6)}"  # twin frames are one key
        return target.with_name(f"{target.name}.{who}.part")

    def has(self, key: str, kind: str, size: int | None = None) -> bool:
        """Whether an output exists, with exactly ``size`` bytes if that is given."""
        try:
            status = self.path(key, kind).stat()
        except FileNotFoundError:
            return False
        return size is None or status.st_size == size

    @contextmanager
    def writing(self, key: str, kind: str, *, sync: bool = True) -> Iterator[Path]:
        """A passing name to write to; renamed to the output's when the block ends well, removed otherwise.

        What whoever reads it holds as missing where it is damaged needs no ``sync``.
        """
        target = self.path(key, kind)
        part = self._part(target)
        try:
            yield part
            if sync and self.sync and (kind not in LOCAL or self.origin is None):
                durable.sync(part)
            part.replace(target)
        except OSError as error:
            error.filename = error.filename or str(target)
            raise
        finally:
            part.unlink(missing_ok=True)

    def save(self, key: str, kind: str, arrays: Mapping[str, NDArray[Any]]) -> None:
        """Store named arrays under a key; not synced, since they have checksums."""
        with self.writing(key, kind, sync=False) as part, open(part, "wb") as file:
            write_arrays(file, arrays)

    def load(self, key: str, kind: str, *names: str) -> list[NDArray[Any]]:
        """Read arrays of an output by their names, and no others."""
        try:
            with open(self.path(key, kind), "rb", buffering=0) as file:
                return read_arrays(file, names)
        except UNREADABLE as error:
            if not isinstance(error, FileNotFoundError):
                self.remove_damaged(kind, _read_whole)
            raise self.spoilt(self.path(key, kind), f"not readable ({error})") from error

    def remove_damaged(self, kind: str, read: Callable[[Path], object]) -> None:
        """Remove all outputs of a kind that ``read`` refuses, if scratch is shared.

        After a power cut one is rarely alone, and each that is found by itself costs a unit one attempt.
        """
        for path in self.folder.glob(f"*.{kind}") if self.sync else ():
            try:
                read(path)
            except OSError:  # says nothing of what it holds
                continue
            except (WorkFailed, *UNREADABLE):
                path.unlink(missing_ok=True)

    def spoilt(self, path: Path, found: str) -> WorkFailed:
        """The error for a damaged output. If scratch is shared the output is removed, so that it is made again."""
        if not self.sync:
            return WorkFailed(f"{path}: {found}; remove the folder {self.folder} and run again")
        with suppress(OSError):
            path.unlink(missing_ok=True)
        return WorkFailed(f"{path}: {found}; it was removed and will be made again")

    def save_text(self, key: str, kind: str, value: object) -> None:
        """Store JSON under a key; not synced, since what is damaged reads as not there."""
        with self.writing(key, kind, sync=False) as part:
            part.write_text(json.dumps(value), encoding="utf-8")

    def load_text(self, key: str, kind: str) -> Any:
        """JSON stored under a key, or None if there is none or it is damaged."""
        try:
            return json.loads(self.path(key, kind).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None

    def remove_passing(self) -> None:
        """Remove what this process is making under passing names, from another thread."""
        for folder in {self.folder, self.local}:
            for part in folder.glob(f"*.{_host()}-{os.getpid()}-{self.mark}-*.part"):
                part.unlink(missing_ok=True)

    def size(self) -> int:
        """Bytes that the scratch takes."""
        return sum(p.stat().st_size for p in self.folder.iterdir())

    def remove(self) -> None:
        """Remove the whole folder."""
        shutil.rmtree(self.folder, ignore_errors=True)


def _read_whole(path: Path) -> None:
    with open(path, "rb", buffering=0) as file:
        read_all(file)


def share_scratch(folder: Path, local: Path, *, mark: str, all_see: bool = False) -> Scratch:
    """Scratch that several processes use at the same time, made if need be.

    Parameters
    ----------
    folder
        What all of them see. What it lies in is never made: it may be a share that is away.
    local
        A folder of this machine; should others use it as well, they do not take each other's files for their own.
    mark
        What tells this user's passing files from those of others, e.g. the token of a claim.
    all_see
        Whether ``local`` is seen by all as well, so that what one machine decoded another need not.

    Raises
    ------
    OSError
        A folder cannot be made.
    """
    folder.mkdir(exist_ok=True)
    local.mkdir(parents=True, exist_ok=True)
    if all_see:
        return Scratch(folder, local=local, sync=True, mark=mark)
    host = _host()
    origin = f"{host}-{hashlib.sha256(_boot().encode()).hexdigest()[:8]}"
    for kind in LOCAL:
        for entry in local.glob(f"*.{host}-*.{kind}"):
            if not entry.name.endswith(f".{origin}.{kind}"):  # from before the machine started: not trusted
                entry.unlink(missing_ok=True)
    return Scratch(folder, local=local, sync=True, mark=mark, origin=origin)


@contextmanager
def open_scratch(base: Path, out: Path) -> Iterator[Scratch]:
    """The scratch folder of ``out``, made if need be and locked against a second run.

    Raises
    ------
    WorkFailed
        Another run is at work on the same picture, or the folder cannot be written.
    """
    folder = folder_for(base, out)
    with _locked(folder, out):
        _distrust(folder)
        yield Scratch(folder)


@contextmanager
def _locked(folder: Path, out: Path) -> Iterator[None]:
    """Hold the folder's lock. A lock file that was removed with its folder by the run before is no lock: try anew."""
    while True:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            lock = open(folder / "lock", "w")  # noqa: SIM115 - held open: the lock ends with it
        except FileNotFoundError as error:
            if folder.parent.is_dir() and not folder.exists():  # removed between the two lines
                continue
            raise _not_writable(folder, error) from error
        except OSError as error:
            raise _not_writable(folder, error) from error
        with lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise WorkFailed(
                    f"{out.name}: another run is at work on this picture (scratch folder {folder}); "
                    "wait for it, or give --out another name; one that Ctrl-Z suspended goes on by fg"
                ) from error
            if os.fstat(lock.fileno()).st_nlink == 0:
                continue
            yield
            return


def _not_writable(folder: Path, error: OSError) -> WorkFailed:
    return WorkFailed(
        f"scratch folder {folder}: cannot be written ({error.strerror}); name another one with --scratch"
    )


def _distrust(folder: Path) -> None:
    """Remove parts of killed runs, and everything if the machine started since."""
    marker = folder / "boot"
    same = marker.exists() and marker.read_text(encoding="ascii") == _boot()
    for entry in folder.iterdir():
        if entry.name != "lock" and (not same or entry.name.endswith(".part")):
            entry.unlink(missing_ok=True)
    if not same:
        marker.write_text(_boot(), encoding="ascii")
