"""Copies of an SQLite store while it is in use, and what has to happen to one before it is used in its place.

The copy is made by SQLite's own online backup: one moment of the store, whatever is written meanwhile. It appears
under its name only when it is complete and sound. `dump` does the same for PostgreSQL, with its own programs.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import sqlalchemy as sa

from nearfar.durable import sync
from nearfar.errors import StoreError
from nearfar.jobs import schema

PAGES = 512
"""Pages copied at a time; others may write in between."""
GAPS = {"jobs": 10_000, "units": 1_000_000, "events": 1_000_000}
TOKEN_GAP = 1_000_000
"""Numbers that a restored store leaves out: the store it replaces may have given them out after the copy was made."""
_HELD_AGAIN = (
    "UPDATE units SET state = CASE WHEN (SELECT state FROM jobs WHERE jobs.id = units.job) = 'held' THEN 'waiting'"
    " WHEN (SELECT state FROM jobs WHERE jobs.id = units.job) IN ('waiting', 'running') THEN 'ready'"
    " ELSE 'cancelled' END,"
    " attempts = attempts - 1, worker = NULL, lease_until = NULL, deadline = NULL, progress = 0"
    " WHERE state = 'held'"
)
RELEASE = (
    _HELD_AGAIN,
    f"UPDATE units SET token = token + {TOKEN_GAP} WHERE state IN ('ready', 'waiting')",  # noqa: S608 - a constant
    "UPDATE workers SET state = 'lost' WHERE state IN ('working', 'draining')",
    # Links that were ended stay so; the copy may be for another data folder.
    "DELETE FROM server WHERE name IN ('host', 'folder') OR name LIKE 'secret.%'",
)
"""What makes work of a copy wait again, in the words of every database; tables of any revision have these columns."""


def copy(engine: sa.Engine, target: Path) -> None:
    """Write a copy of the store to a file.

    Raises
    ------
    StoreError
        The store is no SQLite file, the target exists or cannot be written, or the copy is not sound.
    """
    if engine.dialect.name != "sqlite":
        raise StoreError("only an SQLite store is copied this way; for PostgreSQL use pg_dump and pg_restore")
    source = Path(engine.url.database or "")
    if target.exists():
        raise StoreError(f"{target} exists; name a file that does not")
    with _reported(target), closing(_open(source)) as conn:
        _copy(conn, target)


def restore(source: Path, target: Path) -> None:
    """Make a store from a copy: what was in work waits again, and no number or token is given out a second time.

    No process may have the store at ``target`` open.

    Raises
    ------
    StoreError
        The copy is no job store or not sound, or there is a store at the target already.
    """
    if not source.is_file():
        raise StoreError(f"{source}: there is no such file; expected a copy of a job store")
    for path in (target, *(target.with_name(target.name + end) for end in ("-wal", "-shm"))):
        if path.exists():
            raise StoreError(f"{path} exists; move the old store away before restoring one")
    with _reported(source), closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as conn:
        _check(conn, source)
        _copy(conn, target, prepare=True)


def _open(path: Path) -> sqlite3.Connection:
    conn = sqlite3.connect(path, timeout=30.0, isolation_level=None)
    conn.execute("PRAGMA synchronous = FULL")
    return conn


def _copy(conn: sqlite3.Connection, target: Path, *, prepare: bool = False) -> None:
    temporary = target.with_name(f".nearfar-{secrets.token_hex(6)}.part")
    try:
        with closing(_open(temporary)) as copied:
            conn.backup(copied, pages=PAGES, sleep=0.01)
            copied.execute("PRAGMA journal_mode = DELETE")  # one file holds it all
            if prepare:
                _prepare(copied)
            _check(copied, temporary)
        sync(temporary)
        temporary.rename(target)
        sync(target.parent)
    finally:
        temporary.unlink(missing_ok=True)


def _check(conn: sqlite3.Connection, path: Path) -> None:
    found = [row[0] for row in conn.execute("PRAGMA integrity_check(1)")]
    if found != ["ok"]:
        raise StoreError(f"{path}: found damage ({found[0]}); expected a sound copy. Use another one")
    tables = {row[0] for row in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not {"jobs", "units", "alembic_version"} <= tables:
        raise StoreError(f"{path}: found no tables of jobs; expected a copy of a job store")
    revision = conn.execute("SELECT version_num FROM alembic_version").fetchone()
    if revision is None or revision[0] > schema.newest():
        raise StoreError(
            f"{path}: made by a newer version ({revision}); this one knows {schema.newest()} at most"
        )


def _prepare(conn: sqlite3.Connection) -> None:
    """Release what was in work, and leave a gap in all numbers."""
    conn.execute("BEGIN IMMEDIATE")
    for statement in RELEASE:
        conn.execute(statement)
    for table, gap in GAPS.items():
        conn.execute("UPDATE sqlite_sequence SET seq = seq + ? WHERE name = ?", (gap, table))
    conn.execute(
        "INSERT INTO events (at, who, action, detail) VALUES (strftime('%s', 'now'), 'server', 'store.restored', '{}')"
    )
    conn.execute("COMMIT")


@contextmanager
def _reported(path: Path) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise StoreError(
            f"{path}: cannot be copied: {error}; check that it is a job store and that the target's disk has space"
        ) from error
