"""Publish hints that work waits: just enough to wake the workers that are free, from a thread of its own.

At intervals, and when `kick` is called, the store is asked how many units could be given out and how many workers are free;
hints that already wait are subtracted. A broker that is frozen or away stops only the hints: workers ask the store by
themselves as well.
"""

from __future__ import annotations

import logging
import threading
import time
from contextlib import suppress
from typing import Any

from celery import Celery
from kombu.connection import Connection

from nearfar.errors import StoreError
from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner import broker
from nearfar.runner.app import TASK, make_app
from nearfar.server_settings import ServerSettings

log = logging.getLogger(__name__)

EVERY = 5.0
"""Seconds between two rounds without a kick; the process keep uses one second."""
LONGEST_REST = 30.0
"""The longest pause before a broker that did not answer is tried again, seconds."""
MOST = 64
"""Hints published at a time."""
ASKED = 10.0
"""Seconds after which the broker is probed if there was nothing to publish."""
COUNTED = 10.0
"""Seconds between two updates of the count of published hints in the store."""


class Hinter:
    """A thread that publishes hints.

    Parameters
    ----------
    settings, places
        Where the broker is.
    store
        Asked from the thread alone.
    every
        Seconds between two looks without a kick.
    rest
        Seconds between a kick and the look.
    """

    def __init__(
        self,
        settings: ServerSettings,
        places: Places,
        store: Store,
        *,
        every: float = EVERY,
        rest: float = 0.0,
    ) -> None:
        self.app = make_app(settings, places)
        self.store = store
        self.every = every
        self.rest = rest
        self.broker: str | None = None
        """Why the broker cannot be reached; None: it can, as far as is known."""
        self._wake = threading.Event()
        self._leaving = False
        self._failures = 0
        self._not_before = 0.0
        self._asked = time.monotonic()
        self._connection: Connection | None = None
        self._uncounted = 0
        self._counted = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="hints", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def kick(self) -> None:
        """Ask for a round now, since there is work. Returns at once, whatever the broker does."""
        self._wake.set()

    def stop(self) -> None:
        """End; waits a moment, but not for a broker that does not answer."""
        self._leaving = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        while not self._leaving:
            if self._wake.wait(self.every):
                time.sleep(self.rest)
            self._wake.clear()
            if self._leaves() or time.monotonic() < self._not_before:
                continue
            try:
                self._uncounted += self.publish()
                if time.monotonic() - self._counted >= COUNTED:
                    self._count()
            except StoreError as error:  # whoever works with the store reports it
                log.debug("%s", error, extra={"action": "hint.store-away"})
        with suppress(StoreError):
            self._count()
        self._disconnect()

    def _count(self) -> None:
        """Record how many hints were published since the last time."""
        if self._uncounted:
            self.store.count("hints_published", self._uncounted)
            self._uncounted = 0
        self._counted = time.monotonic()

    def _leaves(self) -> bool:
        return self._leaving

    def publish(self) -> int:
        """Publish the missing hints and return how many. Raises `StoreError`; failures of the broker are noted.

        If no hint is wanted, the broker is probed at intervals, so that it is known when it is away and when it is back.
        """
        wanted = self._wanted()
        if wanted <= 0 and self.broker is None and time.monotonic() - self._asked < ASKED:
            return 0
        self._asked = time.monotonic()
        try:
            sent = self._send(wanted)
        except Exception as error:  # whatever a broker's driver raises
            self._failed(error)
            return 0
        if self.broker is not None:
            log.warning("the broker answers again", extra={"action": "broker.back"})
        self.broker, self._failures = None, 0
        return sent

    def _wanted(self) -> int:
        """The number of units that could be given out, or of free workers if that is smaller."""
        if not self.store.claimable(limit=1):
            return 0
        free, memory, disk = self.store.free_slots()
        return min(free, self.store.claimable(memory=memory, disk=disk, limit=MOST)) if free else 0

    def _send(self, wanted: int) -> int:
        connection = self._connect()
        missing = wanted - waiting(connection)
        if missing > 0:
            with self.app.amqp.Producer(connection.default_channel) as producer:
                for _ in range(missing):
                    self.app.send_task(TASK, producer=producer, retry=False, ignore_result=True)
        return max(0, missing)

    def _connect(self) -> Connection:
        if self._connection is None:
            self._connection = connect(self.app)
        return self._connection

    def _failed(self, error: Exception) -> None:
        self._disconnect()
        if self.broker is None:
            log.warning(
                "the broker does not answer: %s; workers ask the store by themselves meanwhile",
                error,
                extra={"action": "broker.away"},
            )
        self.broker = f"broker unreachable: {error}"
        self._failures += 1
        self._not_before = time.monotonic() + min(LONGEST_REST, 2.0 ** min(self._failures - 1, 6))

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.collect(socket_timeout=0.1)  # type: ignore[no-untyped-call]


def connect(app: Celery) -> Connection:
    """A tested connection to the broker. Raises whatever the driver raises, within a few seconds."""
    connection: Connection = app.connection_for_write()
    connection.connect()  # type: ignore[no-untyped-call]
    return connection


def waiting(connection: Connection) -> int:
    """How many hints wait."""
    channel: Any = connection.default_channel
    return int(channel.queue_declare(queue=broker.QUEUE, durable=True).message_count)
