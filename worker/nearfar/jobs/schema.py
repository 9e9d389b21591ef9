"""Migrate a store's tables to the current version, under a lock, in one transaction.

Whoever opens a store runs this. Others wait meanwhile: at SQLite by its write lock, at PostgreSQL by an advisory lock.
Alembic takes a fifth of a second to load, and is needed only where there is something to migrate.
"""

from __future__ import annotations

import logging
import threading
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from nearfar.errors import StoreError
from nearfar.jobs.engine import own_errors

log = logging.getLogger(__name__)

STEPS = Path(__file__).parent / "migrations"
VERSION = sa.table("alembic_version", sa.column("version_num", sa.String))
"""Where Alembic notes the revision."""
LOCK = 0x6E656172
"""Number of PostgreSQL's advisory lock: 'near' in ASCII."""
_one_at_a_time = threading.Lock()
"""Alembic keeps what it works on in module globals."""


def newest() -> str:
    """The revision that this version of the program works with."""
    return _known()[0]


def current(conn: sa.Connection) -> str | None:
    """The revision that a store is at; None: it is empty."""
    if not sa.inspect(conn).has_table(VERSION.name):
        return None
    return conn.execute(sa.select(VERSION.c.version_num)).scalar()


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
    from alembic import command
    from alembic.config import Config

    config = Config(attributes={"connection": conn})
    config.set_main_option("script_location", str(STEPS))
    command.upgrade(config, to)
    log.info(
        "job store went from revision %s to %s", found, current(conn), extra={"action": "store.migrated"}
    )
    return True


@cache
def _known() -> tuple[str, ...]:
    """All revisions, newest first: each step's file is named ``mREVISION_what.py``."""
    return tuple(sorted((step.name[1:5] for step in (STEPS / "versions").glob("m*.py")), reverse=True))
