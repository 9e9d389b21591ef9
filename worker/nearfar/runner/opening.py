"""Open the job store as every process of the server does: by the settings, and patiently."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import replace

from nearfar.errors import StoreUnreachable
from nearfar.jobs import Rules, Store, open_store
from nearfar.places import Places
from nearfar.server_settings import ServerSettings

log = logging.getLogger(__name__)

RETRY = 2.0
"""Seconds between two tries to reach a store."""


def rules_of(settings: ServerSettings) -> Rules:
    """How patient the store is, by the settings."""
    table = settings.store
    return Rules(
        lease=table.lease,
        attempts=table.attempts,
        retry_after=table.retry_after,
        worker_silence=table.lease,
    )


def open_by(settings: ServerSettings, places: Places, *, answer: float | None = None) -> Store:
    """The job store; raises as `open_store`. ``answer``: seconds to wait for a database that says nothing."""
    return open_store(places.store_url, rules=replace(rules_of(settings), answer=answer))


def open_when_there(
    settings: ServerSettings, places: Places, *, leaving: Callable[[], bool], waiting: Callable[[], None]
) -> Store | None:
    """The job store as soon as it answers; None if this process is to leave before.

    Parameters
    ----------
    leaving
        Whether to give up.
    waiting
        Called before each further try.

    Raises
    ------
    StoreError
        It can never be used as it is.
    """
    told = False
    while not leaving():
        try:
            return open_by(settings, places)
        except StoreUnreachable as error:
            if not told:
                log.warning("%s; trying again every %.0f s", error, RETRY, extra={"action": "store.away"})
                told = True
            waiting()
            time.sleep(RETRY)
    return None
