"""Whether the data folder is there. A share that goes away leaves an empty folder, or one of which each look fails.

The server puts a mark into ``state/folder`` and into the store. Who works on the folder compares the two before it
begins anything and when anything fails, so that an outage is waited for and never taken for frames that were removed. A
store that lies in the folder itself goes with it, and needs no mark.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid

from nearfar.jobs import Store
from nearfar.jobs.folder import folder_of, tie
from nearfar.places import Places
from nearfar.runner.disk import write_whole

log = logging.getLogger(__name__)

NAME = "folder"
GOOD_FOR = 1.0
"""Seconds for which an answer is good."""


class Presence:
    """Looks whether the data folder is there.

    Parameters
    ----------
    places
        Of the server.
    ties
        Whether to mark a folder that has no mark; for the server alone, which made the folder.
    """

    def __init__(self, places: Places, *, ties: bool = False) -> None:
        self.places = places
        self.ties = ties
        self._mark: str | None = None
        self._inside = places.store_url.startswith("sqlite")
        self._known: tuple[float, str | None] | None = None
        self._lock = threading.Lock()

    def why_away(self, store: Store) -> str | None:
        """Why the folder cannot be used, in a sentence; None: it is there. Raises `StoreError` at the first question."""
        with self._lock:
            now = time.monotonic()
            if self._known is None or now - self._known[0] > GOOD_FOR:
                self._known = now, self._look(store)
            return self._known[1]

    def forget(self) -> None:
        """Let the next question be answered afresh: something failed, and the last answer may be from before."""
        with self._lock:
            self._known = None

    def _look(self, store: Store) -> str | None:
        found, why = self._read()
        if self._mark is None and not self._inside:
            self._mark = self._learn(store, found)
            found, why = self._read()
        if self._mark is None:
            return None if self.places.state.is_dir() else self._away("it is not there")
        if found == self._mark:
            return None
        if found is None:
            return self._away(why)
        return (
            f"{self.places.data} is not the data folder that the job store belongs to: found the mark {found}, expected "
            f"{self._mark}. Mount the right folder there; if it was made again on purpose, write the expected mark into "
            f"{self.places.state / NAME}"
        )

    def _away(self, why: str) -> str:
        mark = f" (its mark {self._mark} in {self.places.state / NAME} is missing)" if self._mark else ""
        return f"data folder {self.places.data}: {why}{mark}. Work continues as soon as it is back"

    def _read(self) -> tuple[str | None, str]:
        try:
            return (self.places.state / NAME).read_text(encoding="ascii").strip() or None, ""
        except FileNotFoundError:
            return None, "the share is not mounted, or its files are gone"
        except (OSError, UnicodeDecodeError) as error:
            return None, getattr(error, "strerror", None) or str(error)

    def _learn(self, store: Store, found: str | None) -> str | None:
        """The mark to expect from now on."""
        known = folder_of(store)
        if known is not None or not self.ties:
            return known
        mark = found or uuid.uuid4().hex
        if found is None:
            write_whole(self.places.state / NAME, mark)
        return tie(store, mark)
