"""Checks of what a server talks to: its settings file, the job store, the broker, the port that it wants."""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
import stat
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import sqlalchemy as sa

from nearfar.errors import StoreError, StoreUnreachable, UsageError
from nearfar.jobs import schema
from nearfar.jobs.engine import engine_for, own_errors, parse_url
from nearfar.places import Places
from nearfar.runner import probe
from nearfar.runner.doctor.examine import Finding, Subject, advice, fine, problem
from nearfar.runner.processes.supervise import bind
from nearfar.server_settings import unknown_variables
from nearfar.settings import format_size

THOROUGH = 256 << 20
"""Bytes of a store up to which its indexes are compared with its tables as well."""
SKEW = 2.0
"""Seconds by which a database's clock may differ from this machine's."""


def settings_file(subject: Subject) -> Iterator[Finding]:
    """Which file is read, and who can read a key in it."""
    about, file, server = "settings", subject.file, subject.settings.server
    if file is None:
        yield fine(about, "no settings file; everything is as in config/nearfar.toml")
    elif (server.key or subject.settings.client.key) and file.stat().st_mode & stat.S_IROTH:
        yield advice(
            about, f"{file} may hold a key, and every user of this machine can read it", f"chmod o-r {file}"
        )
    else:
        yield fine(about, f"read from {file}")
    for text in unknown_variables(os.environ):
        yield advice(about, text, "Correct its name, or remove it.")
    if server.local and server.names and not server.key:
        yield advice(
            about,
            f"the server goes by {', '.join(server.names)} and asks for no key: whoever reaches the proxy may do everything",
            "Set server.key, or let the proxy ask who comes.",
        )


def store(subject: Subject) -> Iterator[Finding]:
    """Whether the job store answers, in which form it is, and that it is sound; nothing in it is changed."""
    url = parse_url(subject.places.store_url)
    if url.get_backend_name() == "postgresql":
        yield from _postgresql(url)
    else:
        yield _sqlite(Path(url.database or ""))


def _sqlite(file: Path) -> Finding:
    about = "store"
    if not file.exists():
        return fine(about, f"{file} is not there yet; the server makes it when it starts")
    size = file.stat().st_size
    try:
        # Not mode=ro: that would leave the files beside the store that only a writer clears away.
        with closing(sqlite3.connect(f"{file.as_uri()}?mode=rw", uri=True, timeout=10.0)) as conn:
            conn.execute("PRAGMA query_only = ON")
            check = "integrity_check" if size <= THOROUGH else "quick_check"
            said = conn.execute(f"PRAGMA {check}(3)").fetchall()
            revision = conn.execute("SELECT version_num FROM alembic_version").fetchone()
            jobs = conn.execute("SELECT count(*) FROM jobs").fetchone()[0]
    except sqlite3.Error as error:
        return problem(
            about,
            f"{file} cannot be used: {error}",
            "Stop the server, keep a copy of the file, and bring a backup back with 'nearfar restore'.",
        )
    if said != [("ok",)]:
        return problem(
            about,
            f"{file} is damaged: {'; '.join(str(row[0]) for row in said)}",
            "Stop the server, keep a copy of the file, and bring a backup back with 'nearfar restore'.",
        )
    return _revision(f"{file}, {format_size(size)}, {jobs} jobs, sound", revision[0] if revision else None)


def _revision(found: str, revision: str | None) -> Finding:
    newest = schema.newest()
    if revision is None or revision == newest:
        return fine("store", f"{found}, form {newest}")
    if revision < newest:
        return fine("store", f"{found}, form {revision}; the server brings it to {newest} when it starts")
    return problem(
        "store",
        f"{found}, form {revision}; this version knows {newest} at most",
        "Install the version that made it, or bring back a backup from before with 'nearfar restore'.",
    )


def _postgresql(url: sa.URL) -> Iterator[Finding]:
    shown = url.render_as_string(hide_password=True).partition("?")[0]
    engine = engine_for(url)
    try:
        with own_errors(engine), engine.connect() as conn:
            before = time.time()
            now = float(conn.scalar(sa.text("SELECT extract(epoch FROM clock_timestamp())")) or 0.0)
            took = time.time() - before
            version = conn.scalar(sa.text("SHOW server_version"))
            revision = schema.current(conn)
    except StoreUnreachable as error:
        yield problem("store", str(error), "Start PostgreSQL, or correct store.url in the settings.")
        return
    except StoreError as error:
        yield problem("store", str(error), "Give the user of store.url rights to the database.")
        return
    yield _revision(f"{shown} (PostgreSQL {version}) answers in {1000 * took:.0f} ms", revision)
    skew = now - before
    if abs(skew) > SKEW + took:
        yield advice(
            "clock",
            f"the database's clock is {skew:+.0f} s off this machine's",
            "Set both clocks by a time server.",
        )


def broker(subject: Subject) -> Iterator[Finding]:
    """Whether hints can be published."""
    url = subject.places.broker_url
    if url is None:
        yield fine("broker", f"files in {subject.places.hints}; no server is needed")
        return
    said = probe.broker_problem(subject.settings)
    if said is None:
        yield fine("broker", f"{probe.shown(url)} answers")
    else:
        yield problem(
            "broker",
            said,
            "Start it, or correct broker.url. Jobs continue meanwhile, up to 15 s later: workers ask the store themselves.",
        )


def running(places: Places) -> str | None:
    """Address of the server that runs on a data folder, '' if it is not known, None if none runs."""
    try:
        with open(places.state / "server.lock", "rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
                return None
            except BlockingIOError:
                pass  # a server holds it; its address is looked for below
    except OSError:
        return None
    try:
        return str(json.loads((places.state / "address.json").read_text(encoding="utf-8"))["url"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def port(subject: Subject) -> Iterator[Finding]:
    """Whether the server runs, or could listen if it wants to."""
    about, server = "port", subject.settings.server
    url = running(subject.places)
    if url is not None:
        yield fine(about, f"a server runs on this data folder{f' at {url}' if url else ''}")
        return
    try:
        bind(server.host, server.port, patience=0.0).close()
    except UsageError as error:
        yield problem(
            about, str(error), "Choose another port with server.port, or stop the program that has it."
        )
        return
    shown = f"port {server.port}" if server.port else "any free port"
    yield fine(about, f"{server.host}, {shown}: free")
