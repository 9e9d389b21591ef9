"""Whether all that the server needs is there: store, broker, room on the disks, folders that can be written to."""

from __future__ import annotations

import importlib
import os
import secrets
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

from nearfar.errors import StoreError
from nearfar.settings import format_size
from nearfar_api.context import Context
from nearfar_api.models.answers import Check

PATIENCE = 10.0
"""Seconds that a check may take; a broker that does not answer takes six."""
HANGS = {
    "store": "check the network and the machine of the database server",
    "broker": "check the network and the machine of the broker",
    "folder": "a share may hang; check the network and the server of the share",
}
"""What to look at if a check does not come back, by its name; disks and folders may lie on a share."""
_hanging: dict[str, threading.Thread] = {}
"""Checks that did not come back yet, by name."""


def checks(ctx: Context) -> list[Check]:
    """Run all checks at once; takes as long as the slowest one."""
    places = ctx.places
    return [
        _check("store", lambda: store_problem(ctx)),
        _check("broker", lambda: broker_problem(ctx)),
        _check("folder", lambda: data_problem(ctx)),
        _check("disk", lambda: disk_problem(ctx)),
        _check("inbox", lambda: folder_problem(places.inbox)),
        _check("results", lambda: folder_problem(places.results)),
    ]


def folder_in_time(ctx: Context, patience: float) -> str | None:
    """Why the data folder is not there, also if looking at it takes more than ``patience`` seconds."""
    return _in_time("folder", lambda: data_problem(ctx), patience)


def _check(name: str, ask: Callable[[], str | None]) -> Check:
    why = _in_time(name, ask)
    return Check(name=name, ok=why is None, why=why)


def _in_time(name: str, ask: Callable[[], str | None], patience: float = PATIENCE) -> str | None:
    """The result of a check, which may hang for as long as the server of a share is gone."""
    asking = _hanging.get(name)
    if asking is None or not asking.is_alive():
        said: list[str | None] = []
        asking = threading.Thread(target=lambda: said.append(ask()), name=f"check {name}", daemon=True)
        asking.start()
        asking.join(patience)
        if said:
            return said[0]
    if not asking.is_alive():
        return f"{name}: the check itself failed; see the log of the server"
    _hanging[name] = asking
    return f"{name} does not answer within {patience:.0f} s: {HANGS.get(name, HANGS['folder'])}"


def store_problem(ctx: Context) -> str | None:
    """Why the store cannot be asked, or takes nothing."""
    try:
        ctx.store.try_writing()
    except StoreError as error:
        return str(error)
    return None


def broker_problem(ctx: Context) -> str | None:
    """Why hints cannot be published."""
    probe = importlib.import_module("nearfar.runner.probe")  # Celery is slow to load
    problem: str | None = probe.broker_problem(ctx.settings)
    return problem


def data_problem(ctx: Context) -> str | None:
    """Why the data folder is not the one that the store belongs to."""
    try:
        return ctx.presence.why_away(ctx.store)
    except StoreError:  # which is reported already
        return None


def disk_problem(ctx: Context) -> str | None:
    """Which disk has less free space than must stay free, in words; None if none has."""
    spare = ctx.settings.worker.spare_disk
    places = ctx.places
    for folder in (places.data, places.results, places.work, places.uploads, places.scratch):
        try:
            free = shutil.disk_usage(folder).free
        except OSError as error:
            return f"{folder}: {error.strerror}"
        if free < spare:
            return f"{folder}: {format_size(free)} are free, {format_size(spare)} are to stay free (worker.spare_disk)"
    return None


def folder_problem(folder: Path) -> str | None:
    """Why nothing can be written to a folder, by trying it; None if it can."""
    name = f".nearfar-probe-{secrets.token_hex(8)}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        fd = os.open(folder / name, flags, 0o600)
    except OSError as error:
        return f"{folder}: {error.strerror}"
    try:
        os.write(fd, b"probe")
    except OSError as error:
        return f"{folder}: {error.strerror}"
    finally:
        os.close(fd)
        (folder / name).unlink(missing_ok=True)
    return None
