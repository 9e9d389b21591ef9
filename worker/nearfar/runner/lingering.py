"""A worker without a unit stays at the store for a while, if the job that it took part in goes on.

Where several workers share a job, the next stage opens when the slowest of them is done. The others would wait for a hint,
which is published by a worker that by then has begun, passes the broker and a process of Celery, and finds with a broker
of files a look every quarter of a second: for a stage of half a second that is long. Here they ask the store, which is
one small read, more and more seldom.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection

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
    """How long a worker has been without a unit, and the jobs that it took part in shortly before."""

    def __init__(self) -> None:
        self._jobs: dict[int, float] = {}
        self._since = 0.0

    def worked(self, job: int) -> None:
        """A unit of this job was done, or came to nothing."""
        self._jobs[job] = self._since = time.monotonic()

    def forget(self) -> None:
        """Something went wrong: do not stay."""
        self._jobs = {}

    def wait(self, ask: Callable[[Collection[int]], Coming], leaving: Callable[[], bool]) -> bool:
        """Wait until there is a unit; False: there is none as far as is known, or it was long enough.

        Parameters
        ----------
        ask
            Asks the store, given the numbers of the jobs. What it raises is raised here.
        leaving
            Whether this worker is to leave.
        """
        while self._jobs and not leaving():
            now = time.monotonic()
            time.sleep(min(max(OFTEN, SHARE * (now - self._since)), SELDOM))
            found = ask(list(self._jobs))
            if found is Coming.NOW:
                return True
            self._jobs = {job: at for job, at in self._jobs.items() if now - at <= LONGEST}
            if found is Coming.NO:
                self._jobs = {}
        return False
