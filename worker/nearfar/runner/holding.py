"""Holding a unit while it is worked on: one thread renews the lease, another asks whether the unit is still wanted.

They are two threads because a renewal may have to wait for its turn to write, while a question only reads. The work itself
calls `check` after every frame, tile and link, and `tell` to report something. Some work cannot be interrupted, like the
decoding of a very large frame: if nobody wants it any longer, its process is ended.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from enum import StrEnum
from typing import Self, TypeVar

from nearfar.errors import Interrupted, LostClaim, StoreError, StoreUnreachable
from nearfar.jobs import Claim, Store, Wish

log = logging.getLogger(__name__)

LISTEN = 0.5
"""Seconds between two questions whether the unit is still wanted."""
BEATS = 6
"""Heartbeats during one lease."""
PATIENCE = 0.7
"""Seconds within which work that is no longer wanted has to stop by itself."""
AGAIN = 0.5
"""Seconds between two tries to reach a store that does not answer."""
LEAVING_PATIENCE = 5.0
"""Seconds that a worker that has to end still waits for a store that does not answer."""
T = TypeVar("T")


class Why(StrEnum):
    """Why the work on a unit should stop."""

    LOST = "another worker has it, or its job is gone"
    DROPPED = "its job ended"
    HANDED_BACK = "its job is held or the server drains"
    LEAVING = "this worker is to leave"
    AWAY = "the job store does not answer"
    DEADLINE = "its time is up"


class Stopped(Interrupted):
    """Raised by `Holding.check` to end the work."""

    def __init__(self, why: Why) -> None:
        self.why = why
        super().__init__(f"the work on the unit was stopped: {why}")


class Holding:
    """A unit in hand; the threads live as long as the block.

    Parameters
    ----------
    leaving
        Whether this worker has to end; called at every check.
    end
        Ends this process; None: work that does not stop is waited for.
    """

    def __init__(
        self,
        store: Store,
        claim: Claim,
        leaving: Callable[[], bool],
        end: Callable[[], object] | None = None,
    ) -> None:
        self.store = store
        self.claim = claim
        self.leaving = leaving
        self.progress = 0.0
        self.lease = store.database.rules.lease
        self.why: Why | None = None
        """Why the work is to stop."""
        self.clear: Callable[[], object] = lambda: None
        """Removes what the unit is making, before the process ends in the middle of it."""
        self._end_process = end
        self._end = threading.Event()
        self._last_word = threading.Lock()
        self._began = self._heard = time.monotonic()
        self._dropped: float | None = None
        self._until = self._began + claim.deadline - claim.lease_until + self.lease
        self._threads = [
            threading.Thread(target=body, name=f"unit {claim.unit} {body.__name__.strip('_')}", daemon=True)
            for body in (self._listen, self._beat)
        ]

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with self._last_word:
            self._end.set()
        for thread in self._threads:
            thread.join(AGAIN)  # one may be waiting for a busy store: what it says later changes nothing

    def check(self) -> None:
        """Raise `Stopped` if the work should end."""
        if self.why is None and self.leaving():
            self.why = Why.LEAVING
        if self.why is not None:
            raise Stopped(self.why)

    def tell(self, call: Callable[[], T]) -> T:
        """Report something to the store; repeated while it does not answer, until the lease has run out.

        Raises
        ------
        StoreUnreachable
            It did not answer for that long.
        """
        began = time.monotonic()
        while True:
            try:
                return call()
            except StoreUnreachable:
                patience = min(self.lease, LEAVING_PATIENCE) if self.leaving() else self.lease
                if time.monotonic() - began > patience:
                    raise
                time.sleep(AGAIN)

    def listen(self) -> None:
        """Ask now what is wanted, for `check` to tell. Raises `LostClaim`, `StoreUnreachable`."""
        self._heed(self.store.wish(self.claim))

    @property
    def seconds(self) -> float:
        """Seconds for which the unit has been held."""
        return time.monotonic() - self._began

    def _listen(self) -> None:
        while not self._end.wait(self._pause()):
            if self._dropped is None:
                self._listen_once()
            elif self._end_process is not None and time.monotonic() - self._dropped >= PATIENCE:
                self._end_in_the_middle(self._end_process)

    def _pause(self) -> float:
        every = min(LISTEN, self.lease / BEATS)
        return every if self._dropped is None else min(every, PATIENCE / 4)

    def _end_in_the_middle(self, end_process: Callable[[], object]) -> None:
        """Hand the unit back for work that does not stop, and end the process."""
        with self._last_word:
            if self._end.is_set():
                return
            log.info("ends in the middle: its job ended", extra=self._about("unit.killed"))
            with suppress(OSError):
                self.clear()
            try:
                self.store.hand_back(self.claim)
                self.store.leave(self.claim.worker)
            except StoreError as error:
                log.warning("%s", error, extra=self._about("unit.not-handed-back"))
            end_process()
            self._dropped = None  # only if the process cannot be ended

    def _beat(self) -> None:
        while not self._end.wait(self.lease / BEATS):
            self._beat_once()

    def _beat_once(self) -> None:
        self._converse(lambda: self.store.beat(self.claim, progress=self.progress))

    def _listen_once(self) -> None:
        if time.monotonic() >= self._until:
            self._stop(Why.DEADLINE)
        else:
            self._converse(lambda: self.store.wish(self.claim))

    def _converse(self, say: Callable[[], Wish]) -> None:
        try:
            self._heed(say())
            self._heard = time.monotonic()
        except StoreUnreachable as error:
            log.warning("the job store does not answer: %s", error, extra=self._about("unit.store-away"))
            if time.monotonic() - self._heard > self.lease:
                self._stop(Why.AWAY)
        except LostClaim:
            self._stop(Why.DEADLINE if time.monotonic() >= self._until - LISTEN else Why.LOST)
        except Exception:
            log.exception("the heartbeat of a unit failed", extra=self._about("unit.mistake"))

    def _about(self, action: str) -> dict[str, object]:
        return {**self.claim.log_context(), "action": action}

    def _heed(self, wish: Wish) -> None:
        if wish is Wish.DROP:
            self._dropped = self._dropped or time.monotonic()
            self._stop(Why.DROPPED)
        elif wish is Wish.HAND_BACK:
            self._stop(Why.HANDED_BACK)

    def _stop(self, why: Why) -> None:
        self.why = self.why or why
