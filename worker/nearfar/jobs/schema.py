"""Migrate a store's tables to the current version, under a lock, in one transaction.

Whoever opens a store runs this. Others wait meanwhile: at SQLite by its write lock, at PostgreSQL by an advisory lock.
"""

from __future__ import annotations

import logging
import threading
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from nearfar.errors import StoreError
from nearfar.jobs.engine import own_errors

log = logging.getLogger(__name__)

STEPS = Path(__file__).parent / "migrations"
LOCK = 0x6E656172
"""Number of PostgreSQL's advisory lock: 'near' in ASCII."""
_one_at_a_time = threading.Lock()
"""Alembic keeps what it works on in module globals."""


def newest() -> str:
    """The revision that this version of the program works with."""
    return _known()[0]


def current(conn: sa.Connection) -> str | None:
    """The revision that a store is at; None: it is empty."""
    return MigrationContext.configure(conn).get_current_revision()


def migrate(engine: sa.Engine, *, to: str = "head") -> bool:
    """Run the steps that are missing; True if there were any.

    Raises
    ------
    StoreError
        The store was made by a newer version.
    """
    with _one_at_a_time, own_errors(engine), engine.connect() as conn:
        if engine.dialect.name != "sqlite":
            with conn.begin():
                conn.execute(sa.select(sa.func.pg_advisory_xact_lock(LOCK)))
                return _run(conn, to)
        # A table that is rebuilt is dropped on the way: references to it would take their rows along. This cannot be
        # switched inside a transaction.
        raw: Any = conn.connection.driver_connection
        raw.execute("PRAGMA foreign_keys = OFF")
        try:
            with conn.begin():
                ran = _run(conn, to)
                broken = conn.exec_driver_sql("PRAGMA foreign_key_check").fetchall() if ran else []
                if broken:
                    raise StoreError(
                        f"job store: a migration would leave rows without their job: {broken[:3]}"
                    )
        finally:
            raw.execute("PRAGMA foreign_keys = ON")
        return ran


def _run(conn: sa.Connection, to: str) -> bool:
    found = current(conn)
    known = _known()
    if found is not None and found not in known:
        raise StoreError(
            f"job store: found tables of revision {found}; this version knows {newest()} at most. The store was used "
            "by a newer version: install that one again, or restore a backup from before"
        )
    if found == (newest() if to == "head" else to):
        return False
    config = Config(attributes={"connection": conn})
    config.set_main_option("script_location", str(STEPS))
    command.upgrade(config, to)
    log.info(
        "job store went from revision %s to %s", found, current(conn), extra={"action": "store.migrated"}
    )
    return True


@cache
def _known() -> tuple[str, ...]:
    """All revisions, newest first."""
    return tuple(script.revision for script in ScriptDirectory(str(STEPS)).walk_revisions())
