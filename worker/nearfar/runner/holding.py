"""Hold a unit while it is worked on: a thread of its own renews the lease and listens for what is wanted.

The work itself only calls `check`, after every frame, tile and link, and `tell` when it has something to say.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from enum import StrEnum
from typing import Self, TypeVar

from nearfar.errors import Interrupted, LostClaim, StoreUnreachable
from nearfar.jobs import Claim, Store, Wish

log = logging.getLogger(__name__)

LISTEN = 1.0
"""Seconds between two questions whether the unit is still wanted."""
BEATS = 6
"""Signs of life during one lease."""
AGAIN = 0.5
"""Seconds between two tries to reach a store that does not answer."""
LEAVING_PATIENCE = 5.0
"""Seconds that a worker which is to leave still waits for a store that does not answer."""
T = TypeVar("T")


class Why(StrEnum):
    """Why the work on a unit is to stop."""

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
    """A unit in hand; the thread lives as long as the block.

    Parameters
    ----------
    leaving
        Whether this worker is to leave; asked at every check.
    """

    def __init__(self, store: Store, claim: Claim, leaving: Callable[[], bool]) -> None:
        self.store = store
        self.claim = claim
        self.leaving = leaving
        self.progress = 0.0
        self.lease = store.database.rules.lease
        self.why: Why | None = None
        """Why the work is to stop."""
        self._end = threading.Event()
        self._began = self._heard = self._beaten = time.monotonic()
        self._until = self._began + claim.deadline - claim.lease_until + self.lease
        self._thread = threading.Thread(target=self._listen, name=f"unit {claim.unit}", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join(
            AGAIN
        )  # it may be waiting for a store that is busy: what it says later changes nothing

    def check(self) -> None:
        """Raise `Stopped` where the work is to end."""
        if self.why is None and self.leaving():
            self.why = Why.LEAVING
        if self.why is not None:
            raise Stopped(self.why)

    def tell(self, call: Callable[[], T]) -> T:
        """Say something to the store, again and again while it does not answer, for as long as the lease.

        Raises
        ------
        StoreUnreachable
            It stayed away for longer.
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
        """Seconds that it was in hand so far."""
        return time.monotonic() - self._began

    def _listen(self) -> None:
        while not self._end.wait(min(LISTEN, self.lease / BEATS)):
            self._listen_once()

    def _listen_once(self) -> None:
        now = time.monotonic()
        if now >= self._until:
            self._stop(Why.DEADLINE)
            return
        try:
            self._heed(self._ask(now))
            self._heard = time.monotonic()
        except StoreUnreachable as error:
            log.warning("the job store does not answer: %s", error, extra=self.claim.log_context())
            if time.monotonic() - self._heard > self.lease:
                self._stop(Why.AWAY)
        except LostClaim:
            self._stop(Why.DEADLINE if time.monotonic() >= self._until - LISTEN else Why.LOST)
        except Exception:
            log.exception("the heartbeat of a unit failed", extra=self.claim.log_context())

    def _ask(self, now: float) -> Wish:
        if now - self._beaten < self.lease / BEATS:
            return self.store.wish(self.claim)
        wish = self.store.beat(self.claim, progress=self.progress)
        self._beaten = time.monotonic()
        return wish

    def _heed(self, wish: Wish) -> None:
        if wish is Wish.DROP:
            self._stop(Why.DROPPED)
        elif wish is Wish.HAND_BACK:
            self._stop(Why.HANDED_BACK)

    def _stop(self, why: Why) -> None:
        self.why = self.why or why
