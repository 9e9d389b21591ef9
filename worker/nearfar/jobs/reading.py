"""Read the audit trail without missing a line: at PostgreSQL one may become visible after another with a higher number."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Self

from nearfar.jobs.records import Event

OVERLAP = 100
"""Numbers below the highest one that may still come; the store keeps about 68 changes a second."""
LATEST = 30.0
"""Seconds in which a transaction ends, or is ended (`engine.IDLE_LIMIT`, `engine.LOCK_LIMIT`)."""
PLACE = re.compile(r"(\d{1,19})(?:~(\d{1,3}(?:\.\d{1,3})*))?", re.ASCII)
LARGEST = 2**63


@dataclass
class Reading:
    """How far somebody has read the trail of all jobs: the highest number, and which below it may still come."""

    last: int
    missing: set[int] = field(default_factory=set)

    @classmethod
    def parse(cls, text: str) -> Self | None:
        """What `str` made of one; None: it is something else."""
        found = PLACE.fullmatch(text)
        if found is None or int(found[1]) >= LARGEST:
            return None
        last = int(found[1])
        below = {last - int(each) for each in (found[2] or "").split(".") if each}
        return cls(last=last, missing={number for number in below if last - OVERLAP < number < last})

    def __str__(self) -> str:
        """The highest number; behind ``~``, how far below it others are missing, e.g. ``1204~1.7``."""
        below = ".".join(str(self.last - number) for number in sorted(self.missing, reverse=True))
        return f"{self.last}~{below}" if below else str(self.last)

    @property
    def after(self) -> int:
        """The number after which to ask the store for more."""
        return min(self.missing, default=self.last + 1) - 1

    def fresh(self, number: int) -> bool:
        """Whether a line was not read before; it is read now."""
        if number > self.last:
            first = max(self.last + 1, number - OVERLAP + 1)
            self.missing |= set(range(first, number))
            self.last = number
            self.missing = {each for each in self.missing if each > number - OVERLAP}
            return True
        if number in self.missing:
            self.missing.discard(number)
            return True
        return False

    def take(self, found: Iterable[Event]) -> list[Event]:
        """Those that were not read before."""
        return [event for event in found if self.fresh(event.id)]


def settled(found: Sequence[Event], after: int, now: float) -> Sequence[Event]:
    """Those of the lines behind ``after`` before which none can become visible any longer."""
    before = after
    for place, event in enumerate(found):
        if before and event.id > before + 1 and now - event.at < LATEST:
            return found[:place]
        before = event.id
    return found
