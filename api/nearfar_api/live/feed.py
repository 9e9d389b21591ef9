"""Events for all who listen, from one reader: while anyone listens it asks the store twice a second, else not at all.

A listener holds no thread and no connection to the store. One that does not keep up is let go and comes back with the
number of the last event that it got.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool

from nearfar.errors import StoreError
from nearfar.jobs import Event, JobQuery, MendState, Sort, Store
from nearfar.jobs.reading import OVERLAP
from nearfar.jobs.states import ENDED
from nearfar_api.context import Context
from nearfar_api.models.answers import JobModel
from nearfar_api.models.shaping import job_models

log = logging.getLogger(__name__)

EVERY = 0.5
LONGEST_REST = 10.0
"""Seconds between two tries while the store does not answer."""
PAGE = 1000
CHANGED = 100
"""Jobs looked at for changes; the store keeps about 68 changes a second."""
BEHIND = 2000
"""Messages that a listener may be behind."""


@dataclass(frozen=True, kw_only=True)
class Progress:
    """A job that changed."""

    job: JobModel

    @property
    def ended(self) -> bool:
        """Whether nothing more is to come of it, unless it is run again or mended."""
        return self.job.state in ENDED and self.job.mends.state is not MendState.WORKING


Message = Event | Progress | None
"""None: there is nothing more for this listener."""


class Listener:
    """Someone who listens to all jobs, or to one."""

    def __init__(self, job: int | None) -> None:
        self.job = job
        self.queue: asyncio.Queue[Message] = asyncio.Queue()

    def tell(self, message: Message) -> None:
        """Hand over a message that concerns this listener."""
        about = message.job if isinstance(message, Event) else message.job.id if message else self.job
        if self.job is not None and about != self.job:
            return
        if self.queue.qsize() >= BEHIND:
            while not self.queue.empty():
                self.queue.get_nowait()
            message = None
        self.queue.put_nowait(message)


class Feed:
    """The reader and its listeners; belongs to one event loop."""

    def __init__(self, ctx: Context, *, every: float = EVERY) -> None:
        self.ctx = ctx
        self.every = every
        self.looks = 0
        """How often the store was asked."""
        self.closed = False
        self._listeners: set[Listener] = set()
        self._task: asyncio.Task[None] | None = None
        self._ready = asyncio.Event()
        self._last = 0
        self._seen: deque[int] = deque(maxlen=2 * PAGE)
        self._since = 0.0
        self._told: dict[int, str] = {}

    async def join(self, job: int | None) -> Listener:
        """Begin to listen; everything from now on is kept for the listener. Raises `StoreError`."""
        listener = Listener(job)
        if self.closed:
            listener.tell(None)
            return listener
        self._listeners.add(listener)
        try:
            if self._task is None:
                self._ready.clear()
                await run_in_threadpool(self._begin)
                if self._task is None:
                    self._task = asyncio.create_task(self._run(), name="feed")
                self._ready.set()
            await self._ready.wait()
        except BaseException:
            self.leave(listener)
            raise
        return listener

    def leave(self, listener: Listener) -> None:
        """Stop listening."""
        self._listeners.discard(listener)

    async def close(self) -> None:
        """Tell all listeners that nothing more comes."""
        self.closed = True
        for listener in self._listeners:
            listener.tell(None)
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    def _begin(self) -> None:
        store = self.ctx.store
        self._last = store.last_event()
        before = store.events(max(0, self._last - OVERLAP), limit=PAGE)
        self._seen = deque((event.id for event in before), maxlen=2 * PAGE)
        self._told.clear()
        newest = store.jobs(JobQuery(sort=Sort.UPDATED, limit=1)).jobs
        self._since = newest[0].updated if newest else 0.0

    async def _run(self) -> None:
        rest = self.every
        try:
            while True:
                await asyncio.sleep(rest)
                if not self._listeners:
                    return
                try:
                    found = await run_in_threadpool(self._look)
                    rest = self.every
                except StoreError as error:
                    if rest == self.every:
                        log.warning("events stand still: %s", error, extra={"action": "feed.store-away"})
                    rest, found = min(LONGEST_REST, 2 * rest), []
                self._tell(found)
        finally:
            self._task = None

    def _tell(self, found: Iterable[Message]) -> None:
        for message in found:
            for listener in tuple(self._listeners):
                listener.tell(message)

    def _look(self) -> list[Message]:
        """What is new: the trail before the jobs, though it is read after them, so that it holds how a job ended."""
        self.looks += 1
        store = self.ctx.store
        jobs = self._changed(store)
        return [*self._events(store), *jobs]

    def _events(self, store: Store) -> list[Event]:
        found = store.events(max(0, self._last - OVERLAP), limit=PAGE)
        known = set(self._seen)
        fresh = [event for event in found if event.id not in known]
        self._seen.extend(event.id for event in fresh)
        self._last = max([self._last, *(event.id for event in fresh)])
        return fresh

    def _changed(self, store: Store) -> list[Progress]:
        newest = store.jobs(JobQuery(sort=Sort.UPDATED, limit=CHANGED)).jobs
        models = job_models(self.ctx, [job for job in reversed(newest) if job.updated >= self._since])
        self._since = newest[0].updated if newest else self._since
        found = [model for model in models if self._told.get(model.id) != _said(model)]
        self._told = {model.id: _said(model) for model in models}
        return [Progress(job=model) for model in found]


def _said(model: JobModel) -> str:
    """All but the time left, which changes with every look at the clock."""
    return json.dumps(model.model_dump(mode="json", exclude={"left"}), sort_keys=True)
