"""What was read of a card, kept for the next time: one SQLite file, keyed by the file's place on disk, size and time.

It is a convenience and never the truth: whatever is wrong with it, it is emptied or passed over, and the card is read.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import zlib
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Self

import numpy as np

from nearfar.frames.camera import CameraData
from nearfar.frames.glance import Embedded, Glance
from nearfar.intake.card.previews import BLOCKS, SCALES, SMALL, Look

VERSION = 2
"""Raised when looks or glances are made differently, so that older ones are made again."""
FILE = "cards.sqlite"
MOST_BYTES = 2 << 30
"""Size at which the file is replaced by an empty one."""
_TABLES = """
CREATE TABLE IF NOT EXISTS glances (file TEXT PRIMARY KEY, glance TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS looks (file TEXT, closeness INTEGER, source TEXT NOT NULL, data BLOB NOT NULL,
    PRIMARY KEY (file, closeness)) WITHOUT ROWID;
"""


def default_folder() -> Path:
    """The user's cache folder for Nearfar (XDG base directories)."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "nearfar"


def file_key(status: os.stat_result) -> str:
    """Identifies one state of one file: device, inode, size, time of change in nanoseconds."""
    return f"{status.st_dev}:{status.st_ino}:{status.st_size}:{status.st_mtime_ns}"


class CardCache:
    """Glances and looks of earlier readings; with None for the folder it remembers nothing."""

    def __init__(self, folder: Path | None) -> None:
        self._connection = _open(folder / FILE) if folder else None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Write what is pending and close the file."""
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.commit()
            self._connection.close()
            self._connection = None

    def _ask(self, statement: str, values: tuple[object, ...]) -> Any:
        if self._connection is None:
            return None
        try:
            return self._connection.execute(statement, values).fetchone()
        except sqlite3.Error:
            self._give_up()
            return None

    def _write(self, statement: str, rows: Iterable[tuple[object, ...]]) -> None:
        if self._connection is None:
            return
        try:
            self._connection.executemany(statement, rows)
            self._connection.commit()
        except sqlite3.Error:
            self._give_up()

    def _give_up(self) -> None:
        """Stop using the file, since it is damaged, locked, or the disk is full."""
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
            self._connection = None

    def glance(self, key: str) -> Glance | None:
        """What was read of a file's header before; None if nothing was, or it is of another version."""
        row = self._ask("SELECT glance FROM glances WHERE file = ?", (key,))
        try:
            return _glance_from(json.loads(row[0])) if row else None
        except (ValueError, TypeError, KeyError):
            return None

    def keep_glances(self, found: Iterable[tuple[str, Glance]]) -> None:
        """Remember headers by their files' keys."""
        rows = [(key, json.dumps(_glance_to(g))) for key, g in found]
        self._write("INSERT OR REPLACE INTO glances VALUES (?, ?)", rows)

    def look(self, key: str, closeness: int) -> Look | None:
        """The look at a file's picture that was taken before, or None."""
        row = self._ask("SELECT source, data FROM looks WHERE file = ? AND closeness = ?", (key, closeness))
        try:
            return _look_from(row[0], row[1]) if row else None
        except (ValueError, TypeError, zlib.error):
            return None

    def keep_looks(self, closeness: int, found: Iterable[tuple[str, Look]]) -> None:
        """Remember looks by their files' keys."""
        rows = [(key, closeness, look.source, _look_bytes(look)) for key, look in found]
        self._write("INSERT OR REPLACE INTO looks VALUES (?, ?, ?, ?)", rows)


def _open(path: Path) -> sqlite3.Connection | None:
    """Open the cache file, replaced if it is damaged, of another version or too large; None if that fails too."""
    for attempt in range(2):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if attempt or (path.exists() and path.stat().st_size > MOST_BYTES):
                _remove(path)
            return _connect(path)
        except (sqlite3.Error, OSError):
            continue
    return None


def _remove(path: Path) -> None:
    for name in (path.name, path.name + "-wal", path.name + "-shm"):
        path.with_name(name).unlink(missing_ok=True)


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=10, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = OFF")
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version not in (0, VERSION):
            connection.executescript("DROP TABLE IF EXISTS glances; DROP TABLE IF EXISTS looks;")
        connection.executescript(_TABLES)
        connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("SELECT count(*) FROM (SELECT 1 FROM looks LIMIT 1)").fetchone()
        connection.commit()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _glance_to(found: Glance) -> dict[str, Any]:
    camera = {name: value for name, value in asdict(found.camera).items() if value is not None}
    if found.camera.date_time is not None:
        camera["date_time"] = found.camera.date_time.isoformat()
    if found.camera.offset is not None:
        camera["offset"] = found.camera.offset.total_seconds()
    return {**asdict(found), "camera": camera, "embedded": [asdict(e) for e in found.embedded]}


def _glance_from(kept: dict[str, Any]) -> Glance:
    camera = dict(kept["camera"])
    if "date_time" in camera:
        camera["date_time"] = datetime.fromisoformat(camera["date_time"])
    if "offset" in camera:
        camera["offset"] = timedelta(seconds=camera["offset"])
    inside = tuple(Embedded(**e) for e in kept["embedded"])
    return Glance(**{**kept, "camera": CameraData(**camera), "embedded": inside})


def _look_bytes(look: Look) -> bytes:
    return zlib.compress(look.small.tobytes() + look.colour.tobytes() + look.sharp.astype("<f4").tobytes(), 1)


def _look_from(source: str, data: bytes) -> Look:
    raw = zlib.decompress(data)
    small, colour = SMALL[0] * SMALL[1], BLOCKS[0] * BLOCKS[1] * 3
    if len(raw) != small + colour + 4 * SCALES * BLOCKS[0] * BLOCKS[1]:
        raise ValueError("a look of another shape")
    return Look(
        small=np.frombuffer(raw, np.uint8, small).reshape(SMALL),
        colour=np.frombuffer(raw, np.uint8, colour, small).reshape(*BLOCKS, 3),
        sharp=np.frombuffer(raw, "<f4", -1, small + colour).reshape(SCALES, *BLOCKS),
        source=source,
    )
