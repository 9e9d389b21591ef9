"""A watch with short times, whose looks and clock the test controls."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from nearfar.intake.card.kept_card import card_files
from nearfar.intake.state import Entry, read_state
from nearfar.jobs import Store
from nearfar.places import places_of
from nearfar.runner.watching.process import Watch
from nearfar.server_settings import ServerSettings
from tests.worker.frames.makers import picture, write_tiff
from tests.worker.intake.together import TogetherSorts
from tests.worker.runner.serving import settings_for

QUIET = 0.8


SCAN = 0.1


def short(data: Path, **inbox: Any) -> ServerSettings:
    """Settings with short times."""
    times = {"scan": SCAN, "quiet": QUIET, "quiet_unseen": QUIET, "patience": 2.5}
    return settings_for(data, inbox=times | inbox)


def lay_frames(folder: Path, *names: str, first: int = 0) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    pixels = [picture(height=8, width=8, seed=first + number) for number in range(len(names))]
    return [write_tiff(folder / name, each) for name, each in zip(names, pixels, strict=True)]


class Stepped:
    """A watch whose looks, and whose clock, the test controls."""

    def __init__(self, settings: ServerSettings, store: Store, **options: Any) -> None:
        self.now = 0.0
        self.store = store
        self.places = places_of(settings)
        sorts = TogetherSorts(card_files(self.places))
        self.watch = Watch(settings, self.places, store, clock=lambda: self.now, sorts=sorts, **options)

    def look(self, after: float = 0.0) -> dict[str, Entry]:
        self.now += after
        self.watch.look()
        return {os.path.relpath(e.path, self.places.inbox): e for e in read_state(self.places).entries}

    def look_on(self) -> None:
        """Look often: what takes long on a slow machine is left to the next look."""
        for _ in range(50):
            self.look(QUIET)

    def settle(self, seconds: float = QUIET) -> dict[str, Entry]:
        self.look()
        self.look(seconds)
        return self.look()


def jobs(store: Store) -> list[tuple[int, str, str]]:
    return [(job.id, job.stack, str(job.state)) for job in reversed(store.jobs().jobs)]


def wait_for(condition: Callable[[], object], seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.05)


class Stopped(BaseException):
    """The watch is killed here."""
