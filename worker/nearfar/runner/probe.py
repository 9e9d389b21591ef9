"""Whether broker and store answer within seconds: for health checks and `nearfar doctor`."""

from __future__ import annotations

import os
from pathlib import Path

import sqlalchemy as sa

from nearfar.errors import StoreError
from nearfar.jobs import Store
from nearfar.places import places_of
from nearfar.runner.app import make_app
from nearfar.runner.hints import connect, waiting
from nearfar.runner.opening import open_by
from nearfar.server_settings import ServerSettings

PATIENCE = 2.0
"""Seconds to wait for each answer of a broker."""


def broker_problem(settings: ServerSettings) -> str | None:
    """Why hints cannot be published; None: they can. Known within about six seconds if the broker does not answer."""
    places = places_of(settings)
    if settings.broker.url is None:
        return _folder_problem(places.hints)
    try:
        with connect(make_app(settings, places, patience=PATIENCE)) as connection:
            waiting(connection)
    except Exception as error:  # noqa: BLE001 - whatever a broker's driver raises
        return f"broker {shown(settings.broker.url)} does not answer: {error}"
    return None


def _folder_problem(folder: Path) -> str | None:
    """Whether a file can appear in a folder by rename."""
    part = folder / f".probe-{os.getpid()}.part"
    try:
        try:
            part.write_bytes(b"1")
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        return f"broker folder {folder}: {error.strerror}; check the disk and who may write there"
    return None


def store_problem(settings: ServerSettings, store: Store | None = None) -> str | None:
    """Why the job store cannot be used; None: it answers.

    Parameters
    ----------
    settings
        Where it is.
    store
        The store as this process has it open; opened again if not given.
    """
    try:
        (store or open_by(settings, places_of(settings))).now()
    except StoreError as error:
        return str(error)
    return None


def shown(url: str) -> str:
    """An address without its password."""
    try:
        return sa.make_url(url).render_as_string(hide_password=True)
    except sa.exc.ArgumentError:
        return url.rpartition("@")[2]
