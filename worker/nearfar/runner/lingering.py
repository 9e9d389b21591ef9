"""A worker without a unit stays at the store for a while, if the job that it took part in goes on.

Where several workers share a job, the next stage opens when the slowest of them is done. The others would wait for a hint,
which is published by a worker that by then has begun, passes the broker and a process of Celery, and finds with a broker
of files a look every quarter of a second: for a stage of half a second that is long. Here they ask the store, which is
one small read, more and more seldom.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from nearfar.jobs import Coming

LONGEST = 5.0
"""Seconds without a unit after which a worker waits for hints again."""
OFTEN = 0.01
"""Seconds between two questions at first..."""
SHARE = 0.05
"""...and later this share of the seconds without a unit..."""
SELDOM = 0.2
"""...up to so many."""


class Lingering:
    """How long a worker has been without a unit of the job that it took part in."""

    def __init__(self) -> None:
        self._job: int | None = None
        self._since = 0.0

    def worked(self, job: int) -> None:
        """A unit of this job was done, or came to nothing."""
        self._job, self._since = job, time.monotonic()

    def forget(self) -> None:
        """Something went wrong: do not stay."""
        self._job = None

    def wait(self, ask: Callable[[int], Coming], leaving: Callable[[], bool]) -> bool:
        """Wait until there is a unit; False: there is none as far as is known, or it was long enough.

        Parameters
        ----------
        ask
            Asks the store, given the number of the job. What it raises is raised here.
        leaving
            Whether this worker is to leave.
        """
        while self._job is not None and not leaving():
            without = time.monotonic() - self._since
            if without > LONGEST:
                break
            time.sleep(min(max(OFTEN, SHARE * without), SELDOM))
            found = ask(self._job)
            if found is Coming.NOW:
                return True
            if found is Coming.NO:
                break
        self._job = None
        return False
