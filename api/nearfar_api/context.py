"""What all handlers of one application share: settings, folders, the store, the thread that publishes hints."""

from __future__ import annotations

import importlib
import logging
import threading
import time
from collections.abc import Callable
from typing import Annotated, Any, Generic, Protocol, TypeVar

from fastapi import Depends
from starlette.requests import Request

from nearfar.errors import StoreUnreachable
from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner.looking.ready import LOOKED, Looking
from nearfar.runner.opening import open_by
from nearfar.runner.presence import Presence
from nearfar.server_settings import ServerSettings
from nearfar_api.quota.book import Book
from nearfar_api.transfer.sending import DigestBook

log = logging.getLogger(__name__)

REST = 1.0
"""Seconds between two tries to open a store that did not answer."""

ANSWER = 4.0
"""Seconds that the store may be silent, since a person is waiting; workers and keep wait longer."""

T = TypeVar("T")


class Hints(Protocol):
    """What the API needs of `nearfar.runner.hints.Hinter`."""

    broker: str | None

    def start(self) -> None:
        """Begin."""

    def kick(self) -> None:
        """Say that there is work."""

    def stop(self) -> None:
        """End."""


class Cached(Generic[T]):
    """A value that is kept for some seconds; when it is too old one thread renews it while the others wait."""

    def __init__(self, seconds: float, ask: Callable[[], T]) -> None:
        self._seconds = seconds
        self._ask = ask
        self._lock = threading.Lock()
        self._known: tuple[float, T] | None = None

    def __call__(self) -> T:
        """The value; raises what asking for it raises."""
        with self._lock:
            now = time.monotonic()
            if self._known is None or now - self._known[0] >= self._seconds:
                self._known = (now, self._ask())
            return self._known[1]

    def forget(self) -> None:
        """Ask again at the next call."""
        with self._lock:
            self._known = None


class Context:
    """Belongs to one application.

    Parameters
    ----------
    settings, places
        Of the server.
    store
        An open one; if not given, opened by the settings at the first question.
    hinter
        Told after every write; if not given, made by the settings when the server starts.
    """

    def __init__(
        self, settings: ServerSettings, places: Places, *, store: Store | None, hinter: Hints | None
    ) -> None:
        self.settings = settings
        self.places = places
        self.pace = Cached(5.0, lambda: self.store.pace())
        self.figures = Cached(5.0, lambda: self.store.figures())
        self.too_large = Cached(5.0, lambda: self.store.too_large())
        self.digests = DigestBook()
        self.presence = Presence(places)
        self.quotas = Book()
        self.looking = Looking(
            places.scratch / LOOKED,
            memory=settings.worker.slot_memory,
            room=settings.server.looked,
            spare=settings.worker.spare_disk,
        )
        self.hinter = hinter
        self._store = store
        self._serving = False
        self._lock = threading.Lock()
        self._failed: tuple[float, StoreUnreachable] | None = None

    @property
    def store(self) -> Store:
        """The store; may wait for the database, so ask for it in a thread. Raises `StoreUnreachable`."""
        if self._store is None:
            with self._lock:
                if self._store is None:
                    self._store = self._open()
                    self._start_hints(self._store)
        return self._store

    def _open(self) -> Store:
        if self._failed is not None and time.monotonic() - self._failed[0] < REST:
            raise StoreUnreachable(str(self._failed[1]))
        try:
            store = open_by(self.settings, self.places, answer=ANSWER)
        except StoreUnreachable as error:
            self._failed = (time.monotonic(), error)
            raise
        self._failed = None
        return store

    def serve(self) -> None:
        """From now on there is a thread that publishes hints, once the store answers."""
        with self._lock:
            self._serving = True
            if self._store is not None:
                self._start_hints(self._store)

    def _start_hints(self, store: Store) -> None:
        if not self._serving or self.hinter is not None:
            return
        hints: Any = importlib.import_module("nearfar.runner.hints")  # Celery is slow to load
        self.hinter = hints.Hinter(self.settings, self.places, store)
        self.hinter.start()

    def kick(self) -> None:
        """Say that there may be work; publishes nothing itself."""
        if self.hinter is not None:
            self.hinter.kick()

    def wake(self) -> None:
        """Say that frames may soon be looked at."""
        if self._serving:
            self.looking.wake()

    def leave(self) -> None:
        """End what `serve` began."""
        with self._lock:
            self._serving = False
            hinter = self.hinter
        self.looking.close()
        if hinter is not None:
            hinter.stop()


async def _context(request: Request) -> Context:
    found = request.app.state.context
    assert isinstance(found, Context)  # noqa: S101 - create_app put it there
    return found


async def _who(request: Request) -> str:
    return str(request.scope.get("nearfar.who", "http"))


Ctx = Annotated[Context, Depends(_context)]
"""What handlers share."""
Who = Annotated[str, Depends(_who)]
"""Who asks, for the audit trail."""
