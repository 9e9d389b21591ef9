"""Units without pixels, for tests of what runs units: each takes its time, writes a file and is done.

As a module of its own it is the process `nearfar.runner.work` with such units; what a unit does stands in its detail.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Callable
from typing import Self

import sqlalchemy as sa

from nearfar.errors import LostClaim, StoreError
from nearfar.jobs import Claim, Outcome, Store, UnitKind, Wish
from nearfar.places import Places, places_of
from nearfar.runner import work
from nearfar.runner.processes import beats, logs
from nearfar.runner.tasks import Perform
from nearfar.server_settings import ServerSettings, load_server

STEP = 0.02


class Beating:
    """Renews the lease of a unit while the block runs."""

    def __init__(self, store: Store, claim: Claim, every: float) -> None:
        self.store, self.claim, self.every = store, claim, every
        self.stop, self.lost, self.wish = threading.Event(), False, Wish.GO_ON
        self.thread = threading.Thread(target=self.run, daemon=True)

    def __enter__(self) -> Self:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join()

    def run(self) -> None:
        while not self.stop.wait(self.every):
            try:
                self.wish = self.store.beat(self.claim, progress=0.5)
            except LostClaim:
                self.lost = True
            except StoreError:
                continue


def freeze_writing(places: Places) -> None:
    """Stop this process while it has the write lock of an SQLite store."""
    connection = sqlite3.connect(str(sa.make_url(places.store_url).database), isolation_level=None)
    connection.execute("PRAGMA busy_timeout = 30000")
    connection.execute("BEGIN IMMEDIATE")
    os.kill(os.getpid(), signal.SIGSTOP)
    time.sleep(600)  # the signal is taken by another thread, a moment later
    connection.close()


def perform(store: Store, claim: Claim, leaving: Callable[[], bool], *, places: Places, lease: float) -> None:
    """Do a unit: its detail says for how many seconds, and whether it ends its worker or freezes it in a write."""
    detail = dict(claim.detail or {})
    if detail.get("freezes") and claim.attempt == 1:
        freeze_writing(places)
    with Beating(store, claim, lease / 6) as beating:
        end = time.monotonic() + float(detail.get("seconds", 0.05))
        while time.monotonic() < end:
            if beating.lost:
                return
            if (leaving() and not detail.get("stubborn")) or beating.wish is not Wish.GO_ON:
                store.hand_back(claim)
                return
            time.sleep(STEP)
        if detail.get("dies"):
            os.kill(os.getpid(), getattr(signal, detail["dies"]))
        out = places.work / f"{claim.job}-{claim.kind}-{claim.start}.{claim.token}"
        part = out.with_suffix(".part")
        part.write_text(f"{claim.unit} {claim.token}\n" * 50, encoding="utf-8")
        part.rename(out)
        then = Outcome(
            result={"file": out.name},
            job_result=str(out) if claim.kind is UnitKind.DELIVER else None,
        )
        try:
            store.finish(claim, then)
        except LostClaim:
            out.unlink(missing_ok=True)


def performing(settings: ServerSettings, places: Places) -> Perform:
    def one(store: Store, claim: Claim, leaving: Callable[[], bool]) -> None:
        perform(store, claim, leaving, places=places, lease=settings.store.lease)

    return one


def main() -> int:
    logs.set_up("work")
    settings = load_server()
    places = places_of(settings)
    places.make()
    beats.beat()
    return work.run(settings, places, performing(settings, places))


if __name__ == "__main__":
    sys.exit(main())
