"""Copies of what a server knows, also while it runs, and servers made from such copies.

A copy is a folder: the job store, what the watched folders were taken for, the settings file, and a manifest with the
digest of each. It appears under its name only when it is complete. Frames, uploads and results are not in it: those
are files like any other, and whoever copies files anyway copies them.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nearfar import __version__
from nearfar.durable import sync
from nearfar.errors import InputRefused, NearfarError, StoreError, UsageError
from nearfar.jobs import backup, dump
from nearfar.jobs.engine import dispose, engine_for, parse_url
from nearfar.places import Places
from nearfar.runner.processes.turn import no_locks

FORMAT = "nearfar-backup/1"
MANIFEST = "manifest.json"
SETTINGS = "nearfar.toml"
TAKEN = "stacks"
"""What each stack in a watched folder was taken for: `intake.memory`. Older than the store beside it."""
SQLITE, POSTGRESQL = "store.sqlite", "store.pgdump"


@dataclass(frozen=True, kw_only=True)
class Copied:
    """A copy that was made or checked."""

    folder: Path
    made: str
    """RFC 3339, UTC."""
    store: str
    """Name of the file of the store in it."""
    files: Mapping[str, int]
    """Bytes by name."""


def make(places: Places, settings: Path | None, target: Path) -> Copied:
    """Copy what a server knows into a new folder.

    Parameters
    ----------
    places
        Where the server lives.
    settings
        Its settings file, if it has one.
    target
        The folder to make.

    Raises
    ------
    UsageError
        The target exists, or its parent does not.
    StoreError
        There is no store, or it cannot be copied.
    """
    if target.exists() or target.is_symlink():
        raise UsageError(f"{target} exists; name a folder that does not, and each copy is one of its own")
    if not target.absolute().parent.is_dir():
        raise UsageError(f"{target}: there is no folder {target.absolute().parent}; make it first")
    part = target.with_name(f".nearfar-{os.getpid()}-{target.name}"[:200] + ".part")
    part.mkdir(mode=0o700)
    try:
        names = list(_gather(places, settings, part))
        _write_manifest(part, names)
        part.rename(target)
        sync(target.absolute().parent)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return check(target)


def _gather(places: Places, settings: Path | None, part: Path) -> Iterator[str]:
    """Copy one thing after the other; what was taken comes before the store, which then knows all of it."""
    plain = {TAKEN: places.state / TAKEN, SETTINGS: settings}
    for name, source in plain.items():
        if source is not None and source.is_file():
            shutil.copyfile(source, part / name)
            yield name
    url = parse_url(places.store_url)
    if url.get_backend_name() == "postgresql":
        dump.dump(places.store_url, part / POSTGRESQL)
        yield POSTGRESQL
        return
    if not Path(url.database or "").is_file():
        raise StoreError(
            f"{url.database}: there is no job store; name the data folder of a server with --data"
        )
    engine = engine_for(url)
    try:
        backup.copy(engine, part / SQLITE)
    finally:
        dispose(engine)
    yield SQLITE


def _write_manifest(part: Path, names: list[str]) -> None:
    files = {}
    for name in names:
        path = part / name
        path.chmod(0o600)  # the settings may hold a key
        files[name] = {"size": path.stat().st_size, "sha256": digest(path)}
        sync(path)
    told = {
        "format": FORMAT,
        "made": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "software": f"Nearfar {__version__}",
        "store": next(name for name in names if name in (SQLITE, POSTGRESQL)),
        "files": files,
    }
    (part / MANIFEST).write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")
    sync(part / MANIFEST)
    sync(part)


def check(folder: Path) -> Copied:
    """Compare a copy with its manifest.

    Raises
    ------
    InputRefused
        It is none, or something in it is not what it was.
    """
    told = _manifest(folder)
    sizes = {}
    for name, known in told["files"].items():
        path = folder / name
        if Path(name).name != name or not path.is_file():
            raise InputRefused(f"{folder}: {name} is missing; this copy is not complete. Use another one")
        sizes[name] = path.stat().st_size
        if digest(path) != known["sha256"]:
            raise InputRefused(f"{path}: it is not what it was when the copy was made. Use another copy")
    return Copied(folder=folder, made=str(told["made"]), store=str(told["store"]), files=sizes)


def _manifest(folder: Path) -> dict[str, Any]:
    try:
        told: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        known = told["format"] == FORMAT and told["store"] in told["files"] and bool(told["made"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputRefused(
            f"{folder}: found no {MANIFEST} that can be read; expected a folder that 'nearfar backup' made"
        ) from error
    if not known:
        raise InputRefused(
            f"{folder}: found a copy of format {told['format']!r}; this version knows {FORMAT!r}"
        )
    return told


def digest(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def bring_back(copied: Copied, places: Places, *, replace: bool) -> list[str]:
    """Make a server's store, and its memory of what was taken, from a copy that was checked; what was put aside.

    Raises
    ------
    UsageError
        A server or worker uses the store, there is one and ``replace`` is not given, or the copy is of another kind.
    StoreError
        The store of the copy cannot be used.
    """
    url = parse_url(places.store_url)
    wanted = POSTGRESQL if url.get_backend_name() == "postgresql" else SQLITE
    if copied.store != wanted:
        raise UsageError(
            f"{copied.folder} holds {copied.store}, and the settings ask for {url.get_backend_name()}; set store.url so "
            "that they agree"
        )
    places.make()
    with not_running(places):
        if wanted == POSTGRESQL:
            _nobody_works(places.store_url)
            moved = dump.load(copied.folder / POSTGRESQL, places.store_url, aside=replace)
            aside = [f"schema {moved}"] if moved else []
        else:
            aside = _sqlite_back(copied.folder / SQLITE, Path(url.database or ""), replace)
        return aside + _taken_back(copied, places)


@contextmanager
def not_running(places: Places) -> Iterator[None]:
    """Keep servers off a data folder. Raises `UsageError` if one runs, or if that cannot be told."""
    with open(places.state / "server.lock", "a+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise UsageError(
                f"a server runs on {places.data}; stop it before its store is replaced under it"
            ) from error
        except OSError as error:
            raise UsageError(no_locks(places.data, error)) from error
        yield


def _nobody_works(url: str) -> None:
    worker = dump.in_use(url)
    if worker is not None:
        raise UsageError(
            f"worker {worker} uses the job store; stop all servers and workers first, and wait a minute after a crash"
        )


def _sqlite_back(source: Path, target: Path, replace: bool) -> list[str]:
    aside: list[Path] = []
    if target.exists():
        if not replace:
            raise UsageError(f"there is a job store at {target}; with --replace it is put aside and kept")
        _for_us_alone(target)
        aside.append(put_aside(target))
    try:
        backup.restore(source, target)
    except BaseException:
        for path in aside:
            path.rename(target)
        raise
    return [str(path) for path in aside]


def _for_us_alone(store: Path) -> None:
    """Bring all of a store into its one file. Raises `UsageError` if any process has it open."""
    try:
        with closing(sqlite3.connect(store, timeout=2.0, isolation_level=None)) as conn:
            conn.execute("PRAGMA locking_mode = EXCLUSIVE")
            conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            conn.execute("BEGIN EXCLUSIVE")
            conn.execute("COMMIT")
    except sqlite3.OperationalError as error:
        if "locked" not in str(error) and "busy" not in str(error):
            return  # damaged: put aside as it is, with what belongs to it
        raise UsageError(
            f"{store} is in use; stop all servers and workers before it is replaced under them"
        ) from error
    except sqlite3.DatabaseError:
        return


def put_aside(path: Path) -> Path:
    """Give a file, and what SQLite keeps beside it, a name that says until when it was used."""
    stamp = time.strftime("%Y%m%d-%H%M%S", time.gmtime())
    target = path.with_name(f"{path.stem}.before-{stamp}{path.suffix}")
    if target.exists():
        raise NearfarError(f"{target} exists; wait a second, then give the same command again")
    path.rename(target)
    for end in ("-wal", "-shm"):
        beside = path.with_name(path.name + end)
        if beside.exists():
            beside.rename(target.with_name(target.name + end))
    return target


def _taken_back(copied: Copied, places: Places) -> list[str]:
    """The memory of what was taken belongs to the store: one that is younger would name jobs that are not there."""
    file = places.state / TAKEN
    aside = [str(put_aside(file))] if file.exists() else []
    if TAKEN in copied.files:
        put(copied.folder / TAKEN, file)
    return aside


def put(source: Path, target: Path) -> None:
    """Copy a small file whole."""
    part = target.with_name(f".nearfar-{os.getpid()}-{target.name}.part")
    try:
        shutil.copyfile(source, part)
        part.chmod(0o600)
        sync(part)
        part.rename(target)
        sync(target.parent)
    finally:
        part.unlink(missing_ok=True)
