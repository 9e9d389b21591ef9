"""What a worker may use for a unit, and how it reports the unit's progress."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner.holding import Holding
from nearfar.runner.presence import Presence


@dataclass(frozen=True, kw_only=True)
class Hands:
    """What a worker may use for one unit."""

    places: Places
    memory: int
    """Bytes of memory, at the peak."""
    threads: int
    spare_disk: int
    """Bytes left free on every disk that is written to."""
    end: Callable[[], object] | None = None
    """Ends this process, if work that nobody wants any longer cannot be stopped otherwise."""
    presence: Presence | None = None
    """Checks whether the data folder is there."""

    def why_away(self, store: Store) -> str | None:
        """Why the data folder cannot be used, or None; checked again at each call."""
        if self.presence is None:
            return None
        self.presence.forget()
        return self.presence.why_away(store)


class Gauge:
    """Reports a unit's progress in parts, each of which is a share of the whole and is counted in its own measure."""

    def __init__(self, holding: Holding) -> None:
        self.holding = holding

    def part(self, share: float, total: float) -> Callable[[float], None]:
        """A tick for a part: it is this share of the unit, 0..1, and is complete when the ticks add up to ``total``."""
        scale = share / max(total, 1e-9)
        end = min(1.0, self.holding.progress + share)

        def tick(done: float) -> None:
            self.holding.progress = min(end, self.holding.progress + done * scale)

        return tick
