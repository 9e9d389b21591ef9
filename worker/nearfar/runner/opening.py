"""Opening the job store, by the settings; a database that is not there yet can be waited for."""

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
    """The store's times and limits, from the settings."""
    table = settings.store
    return Rules(
        lease=table.lease,
        attempts=table.attempts,
        retry_after=table.retry_after,
        worker_silence=table.lease,
    )


def open_by(settings: ServerSettings, places: Places, *, answer: float | None = None) -> Store:
    """Open the job store; raises what `open_store` raises. ``answer``: seconds to wait for a silent database."""
    return open_store(places.store_url, rules=replace(rules_of(settings), answer=answer))


def open_when_there(
    settings: ServerSettings, places: Places, *, leaving: Callable[[], bool], waiting: Callable[[], None]
) -> Store | None:
    """Open the job store as soon as it answers; None if this process has to end before that.

    Parameters
    ----------
    leaving
        Whether to give up.
    waiting
        Called before each further try.

    Raises
    ------
    StoreError
        The store cannot be used; waiting would not help.
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
