"""Copies of a PostgreSQL store by PostgreSQL's own programs, and what has to happen to one before it is used.

pg_dump sees one moment of the store, whatever is written meanwhile. Restoring leaves what was there in a schema of
another name, so that nothing is lost by a slip.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import time
from pathlib import Path

import sqlalchemy as sa

from nearfar.errors import StoreError
from nearfar.jobs import schema
from nearfar.jobs.backup import GAPS, RELEASE
from nearfar.jobs.engine import dispose, engine_for, own_errors, parse_url

SILENCE = 60.0
"""Seconds after its last beat for which a worker counts as alive."""


def dump(url: str, target: Path) -> None:
    """Write the store at an address to a file in pg_dump's custom format. Raises `StoreError`."""
    parsed = parse_url(url)
    _run([*_program("pg_dump", parsed), "--format=custom", "--schema=public", f"--file={target}"], parsed)


def load(source: Path, url: str, *, aside: bool) -> str | None:
    """Make a store from such a file: what was in work waits again, and no number or token is given out a second time.

    Parameters
    ----------
    source
        From `dump`.
    url
        Address of a database in which no process works.
    aside
        Put a store that is there already aside.

    Returns
    -------
    Name of the schema in which the store that was there is now; None if there was none.

    Raises
    ------
    StoreError
        There is a store and it is not to be put aside, workers use it, or a program fails.
    """
    parsed = parse_url(url)
    command = [*_program("pg_restore", parsed), "--no-owner", "--no-privileges", "--exit-on-error"]
    engine = engine_for(parsed)
    try:
        moved = _make_room(engine, aside)
        try:
            _run([*command, "--single-transaction", "--schema=public", str(source)], parsed)
            _prepare(engine)
        except BaseException:
            _put_back(engine, moved)
            raise
    finally:
        dispose(engine)
    return moved


def in_use(url: str) -> str | None:
    """The worker last heard of at a store, if it was a moment ago."""
    engine = engine_for(parse_url(url))
    with own_errors(engine), engine.connect() as conn:
        if schema.current(conn) is None:
            return None
        alive = sa.text(
            "SELECT id FROM workers WHERE state IN ('working', 'draining')"
            " AND beat > extract(epoch FROM clock_timestamp()) - :silence ORDER BY beat DESC"
        )
        found = conn.scalar(alive, {"silence": SILENCE})
    return None if found is None else str(found)


def _program(name: str, url: sa.URL) -> list[str]:
    """The newest program of this name, and arguments that name the database; the password is passed in the environment."""
    folders = sorted(
        Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name), reverse=True
    )
    found = shutil.which(name, path=os.pathsep.join([*map(str, folders), os.environ.get("PATH", "")]))
    if found is None:
        raise StoreError(
            f"{name} is not installed, and a PostgreSQL store is copied with it; on Debian: apt-get install "
            "postgresql-client"
        )
    shown = url._replace(drivername="postgresql", password=None).render_as_string(hide_password=False)
    return [found, "--no-password", f"--dbname={shown}"]


def _run(command: list[str], url: sa.URL) -> None:
    environment = dict(os.environ)
    if url.password is not None:
        environment["PGPASSWORD"] = str(url.password)
    done = subprocess.run(
        command, env=environment, check=False, capture_output=True, text=True, stdin=subprocess.DEVNULL
    )
    if done.returncode != 0:
        said = done.stderr.strip().splitlines() or [f"exit code {done.returncode}"]
        raise StoreError(
            f"{Path(command[0]).name}: {said[0]}. Correct that, then give the same command again"
        )


def _make_room(engine: sa.Engine, aside: bool) -> str | None:
    with own_errors(engine), engine.begin() as conn:
        if schema.current(conn) is None:
            return None
        if not aside:
            jobs = conn.scalar(sa.text("SELECT count(*) FROM jobs"))
            raise StoreError(
                f"there is a job store with {jobs} jobs in that database; with --replace it is put aside and kept"
            )
        name = time.strftime("nearfar_before_%Y%m%d_%H%M%S", time.gmtime())
        conn.execute(sa.text(f"ALTER SCHEMA public RENAME TO {name}"))
        conn.execute(sa.text("CREATE SCHEMA public"))
        return name


def _put_back(engine: sa.Engine, moved: str | None) -> None:
    with own_errors(engine), engine.begin() as conn:
        if moved is not None and re.fullmatch(r"nearfar_before_\d+_\d+", moved):
            conn.execute(sa.text("DROP SCHEMA public CASCADE"))
            conn.execute(sa.text(f"ALTER SCHEMA {moved} RENAME TO public"))


def _prepare(engine: sa.Engine) -> None:
    with own_errors(engine), engine.begin() as conn:
        found = schema.current(conn)
        if found is None or found > schema.newest():
            raise StoreError(f"the copy is of form {found}; this version knows {schema.newest()} at most")
        for statement in RELEASE:
            conn.execute(sa.text(statement))
        for table, gap in GAPS.items():
            sequence = conn.scalar(sa.text("SELECT pg_get_serial_sequence(:table, 'id')"), {"table": table})
            last = conn.scalar(sa.text(f"SELECT last_value FROM {sequence}")) or 0  # noqa: S608 - the database's own name
            conn.execute(sa.text("SELECT setval(:name, :value)"), {"name": sequence, "value": last + gap})
        conn.execute(
            sa.text(
                "INSERT INTO events (at, who, action, detail)"
                " VALUES (extract(epoch FROM clock_timestamp()), 'server', 'store.restored', '{}')"
            )
        )
